"""What the check says: to the studio (reasons), to the customer (advice), of a remembered animal.

Plain texts with places for numbers.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from app.photos.check.rules import Finding, Judgement, Verdict, Weight

REASONS: Mapping[str, str] = {
    "nothing_readable": "None of these photos can be read.",
    "too_few": "Different photos: {count}. Sets of fewer than {least} rarely build.",
    "few": "{count} different photos are few. More would make the build safer.",
    "two_groups": "The photos fall into groups that don’t overlap; the largest has {core} of"
    " {count}. Two animals, two places, or the views between are missing.",
    "falls_apart": "The photos don’t overlap enough: the largest group that does has {core} of"
    " {count}.",
    "missing_links": "Some photos don’t overlap with the others: {core} of {count} do.",
    "still_background": "The background stays the same while the animal turns: a build would"
    " follow the background.",
    "thin": "The photos overlap, but barely: {thin} of {count} share no spot with two others.",
    "joined_late": "At first sight these are two groups, of {core} and {second_count} photos, and"
    " only a closer look connects them: two animals in one place, or views missing between.",
    "held_by_few": "At first sight most of the photos don’t overlap. Only a closer look connects"
    " them.",
    "turns_conflict": "The photos contradict each other about where the camera stood. Two sides"
    " may look too much alike.",
    "one_side": "All were taken from nearly the same side: about {arc} of 360 degrees.",
    "gap": "About {gap} degrees of the way round are missing, between {first} and {second}.",
    "open_ring": "The photos don’t go all the way round: nothing overlaps between {first} and"
    " {second}. How wide the gap is can’t be told.",
    "wide_steps": "The steps between the photos are wide, about {step} degrees.",
    "one_height": "They all seem to be taken from about the same height.",
    "too_blurred": "{bad} of {count} photos are so blurred that no detail is left.",
    "mostly_flawed": "{bad} of {count} photos are blurred or dark.",
    "rest_falls_apart": "Blurred or dark photos: {bad}. The other {rest} aren’t enough without"
    " them.",
    "flawed": "Blurred or dark photos: {bad}. The other {rest} are enough without them.",
    "mostly_dark": "{bad} of {count} photos are very dark.",
    "mostly_noisy": "Most photos are grainy: there was too little light.",
    "noisy": "Some photos are grainy.",
    "clipped": "In some photos, part of the middle is pure white or pure black.",
    "light_changed": "The light changes from {first} on.",
    "uneven_light": "Some photos are far lighter or darker than the ones beside them.",
    "mostly_small": "Most photos are small: {side} pixels on the long side.",
    "small": "Some photos are small: {side} pixels on the long side.",
    "copied": "Some look like copies from a chat app or screenshots, not the camera’s own files.",
    "other_zoom": "Some were taken at a different zoom.",
    "repeated": "Duplicates: {copies}. That leaves {count} different photos.",
    "left_alone": "Some overlap with no other photo and are left out.",
    "hanging": "Some overlap with only one other photo.",
    "unreadable": "Some files can’t be read.",
}

ADVICE: Mapping[str, str] = {
    "too_few": "Please take {more} photos all the way round, one small step to the side after"
    " each.",
    "two_groups": "Do these photos show two animals? Please tell us. If it’s one, the views between"
    " {first} and {second} are missing: about {more} more, one small step to the side after each.",
    "falls_apart": "Please fill in the views between {first} and {second}: about {more} more, each"
    " showing two thirds of what the one before it shows.",
    "missing_links": "Please take about {more} more between {first} and {second}, each showing two"
    " thirds of what the one before it shows.",
    "still_background": "Please walk round the animal instead of turning it, or put a plain cloth"
    " behind it that fills the photo.",
    "thin": "Please take about {more} more, in between the ones you sent: half as big a step each"
    " time.",
    "joined_late": "Do these photos show two animals? Please tell us. If it’s one, a few more"
    " before {first} and after {second} would help.",
    "held_by_few": "Please take about {more} more, in between the ones you sent: half as big a step"
    " each time.",
    "wide_steps": "Please take about {more} more, in between the ones you sent: one small step to"
    " the side after each, at the height of the animal’s middle.",
    "turns_conflict": "Please walk round once more and take {more} photos without stopping on the"
    " way. Put something on the ground that looks different from each side.",
    "one_side": "Please walk all the way round: about {more} more, one small step to the side after"
    " each, at the height of the animal’s middle.",
    "gap": "Please take about {more} more from the side between {first} and {second}, at the height"
    " of the animal’s middle, one small step to the side after each.",
    "open_ring": "Please take about {more} more from the side between {first} and {second}, at the"
    " height of the animal’s middle, one small step to the side after each.",
    "one_height": "It would help to go round again from a little above the back, and a third time"
    " from about knee height.",
    "too_blurred": "Please take them again in bright shade. Keep the camera still, and wait until"
    " each photo is sharp before you take the next.",
    "mostly_flawed": "Please take them again in bright shade. Keep the camera still, and tap on the"
    " animal so that it’s sharp.",
    "rest_falls_apart": "Please take these {bad} again from the same places, in better light and"
    " with the camera still.",
    "mostly_dark": "Please take them again outdoors in even light: an overcast day or open shade,"
    " without a flash.",
    "mostly_noisy": "Please take them in more light: an overcast day or open shade, without a"
    " flash.",
    "mostly_small": "Please send the files as they come from the camera, by a link or on a card,"
    " not through a chat app.",
    "copied": "Please send the files as they come from the camera, not through a chat app.",
    "light_changed": "Please take the new ones in the same even light, all in one go.",
    "other_zoom": "Please don’t change the zoom from the first photo to the last.",
}

BY_EYE: Mapping[str, str] = {
    "too_few": "We’ll shape the whole figure ourselves from the photos ({count} in all): a machine"
    " can’t build a model from so few.",
    "two_groups": "A machine can build from {core} of the {count} photos. We’ll judge for ourselves"
    " how the parts they show go together.",
    "falls_apart": "The photos don’t join up into one shape, so we’ll judge the proportions"
    " ourselves.",
    "missing_links": "What only {first} and a few others show, we’ll place ourselves.",
    "still_background": "We’ll shape the whole figure ourselves from the photos: a machine would"
    " only build the background.",
    "thin": "We’ll judge the finer shapes ourselves, as few spots show in three photos.",
    "joined_late": "We’ll judge for ourselves whether all the photos show the same animal.",
    "held_by_few": "We’ll judge the finer shapes ourselves, as few spots show in three photos.",
    "wide_steps": "We’ll judge the shapes between the views ourselves.",
    "turns_conflict": "Two sides look alike. We’ll judge for ourselves which one a photo shows.",
    "one_side": "The photos show about {arc} degrees of the way round. We’ll shape and paint the"
    " other sides from what we know.",
    "gap": "The photos don’t show the side between {first} and {second}, about {gap} degrees. We’ll"
    " shape and paint it from what we know.",
    "open_ring": "The photos don’t show what lies between {first} and {second}. We’ll shape and"
    " paint it from what we know.",
    "one_height": "We’ll shape the back, seen from above, and the belly from what we know.",
    "too_blurred": "No photo shows the coat and the markings sharply, so we’ll judge them"
    " ourselves.",
    "mostly_flawed": "We’ll judge the finer markings ourselves, from the sharper photos.",
    "rest_falls_apart": "What only the {bad} blurred or dark photos show, we’ll judge ourselves.",
    "mostly_dark": "We’ll judge the colours and the dark markings ourselves.",
    "mostly_noisy": "We’ll judge the fine hair and the colours ourselves.",
    "mostly_small": "We’ll judge for ourselves any detail finer than {side} pixels show.",
    "light_changed": "We’ll judge the true colour ourselves, as the light changes between photos.",
}

CANNOT_TELL: Mapping[str, str] = {
    "sides": "Whether the animal is seen from all sides: too few photos overlap to tell.",
    "sides_of_some": "Which side some of the photos were taken from.",
    "focal": "The lens: the files don’t say, so angles are rough.",
    "times": "The order of photos without a date: they were sorted by name.",
    "kept_still": "Whether the animal held its pose from photo to photo.",
    "mirrored": "Whether a photo is mirrored, and so which side is left.",
    "fine_hair": "Whether single hairs and whiskers will come out.",
}

MOST_LINES = 6


@dataclass(frozen=True)
class Advice:
    """One numbered line: what the customer can do, or what is sculpted by eye."""

    number: int
    code: str
    text: str


def reason_text(finding: Finding) -> str:
    """The sentence for the studio."""
    return _filled(REASONS, finding)


def _filled(texts: Mapping[str, str], finding: Finding) -> str:
    """A text with the finding's numbers in it, and the first and the last of its pictures."""
    names = finding.pictures
    ends = {"first": names[0], "second": names[-1]} if names else {}
    return texts[finding.code].format(**{**ends, **finding.values})


def advise(judgement: Judgement, remembered: bool = False) -> tuple[Advice, ...]:
    """Numbered lines, the weightiest first; none for a set that will do.

    For a remembered animal no more views are ever asked: the lines say what will have to be
    judged by eye. Small things are mentioned only when something is asked anyway.
    """
    if judgement.verdict in (Verdict.WILL_DO, Verdict.NOTHING_READABLE):
        return ()
    chosen = BY_EYE if remembered else ADVICE
    found = [f for f in judgement.findings if f.code in chosen]
    if not remembered:
        found = _without_repeats(found)
    return tuple(
        Advice(k, f.code, _filled(chosen, f)) for k, f in enumerate(found[:MOST_LINES], start=1)
    )


SAME_REQUEST = (
    {"too_few", "falls_apart", "missing_links", "thin"}
    | {"held_by_few", "wide_steps", "turns_conflict"},
    {"too_blurred", "mostly_flawed", "mostly_dark", "mostly_noisy", "rest_falls_apart"},
    {"mostly_small", "copied"},
)
"""Codes that ask for the same act: only the weightiest of each is put to the customer."""


def _without_repeats(found: list[Finding]) -> list[Finding]:
    kept: list[Finding] = []
    for finding in found:
        same = next((s for s in SAME_REQUEST if finding.code in s), set())
        if not any(k.code in same for k in kept):
            kept.append(finding)
    whole_set_again = any(f.weight is Weight.STOP and f.code == "too_few" for f in kept)
    return [f for f in kept if not (whole_set_again and f.code in ("gap", "one_side"))]
