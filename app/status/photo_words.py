"""How to photograph an animal, and what is said of photos until they are settled. Pure.

The figures are those of photogrammetry guides: 60 to 80 in 100 of overlap and every place in three
pictures or more; a picture each 15 degrees is 24 to a ring, three rings are 72; even light, no
flash, one zoom setting, original files. What animals show when they have had enough is common
knowledge of those who photograph them (lips licked, yawning, ears laid back, wide eyes).
"""

import re
from collections.abc import Sequence

from app.flow.steps import MoveKey, Step
from app.orders.facts.order import AnimalFacts, MarkFacts
from app.shared.web import words
from app.status.document import Block, Section
from app.status.voice import Days, Voice, own, surface, voice

A_RING = 24
RINGS = 3
# So many views or fewer are gaps in a set that is good in the main.
FEW_VIEWS = 3
# What asks for photos from all around again, however many lines it takes.
_ANEW = re.compile(r"\b(whole|rings?|rounds?|all the way|again|everything|new set)\b", re.I)


def how_to(
    animals: Sequence[AnimalFacts], how_to_send: str, *, drawn: bool = False
) -> list[Section]:
    """The sections on photos for animals of which a first set is wanted.

    `how_to_send` is the studio's own sentence on where the files go. On a page the three rounds
    are `drawn`, too, round an animal on four legs.
    """
    living = [animal for animal in animals if not animal.remembered]
    remembered = [animal for animal in animals if animal.remembered]
    return [
        *([_living(living, how_to_send, drawn)] if living else []),
        *([_remembered(remembered, how_to_send)] if remembered else []),
    ]


THE_ROUNDS = (
    f"Left, seen from above: {A_RING} photos on the way around, a small step after each. Right, "
    "seen from the side: once around at each of three heights."
)


def _voice(animals: Sequence[AnimalFacts]) -> Voice:
    """How to speak of one animal, or of several together."""
    if len(animals) == 1:
        return voice(animals[0])
    return Voice("each of them", "they", "them", "their")


def _living(animals: Sequence[AnimalFacts], how_to_send: str, drawn: bool) -> Section:
    one, several = _voice(animals), len(animals) > 1
    names = words.listed([animal.name for animal in animals])
    # A model is built of one pose in one light: photos of several days do not fit together.
    lead = (
        f"What we need is lots of plain, sharp photos of {names} from all around, taken in one go: "
        "the same place, the same light, and as far as possible the same pose. Choose a quiet "
        "moment."
    )
    if several:
        lead += " Please take a full set of each of them, and keep the sets apart."
    points = (
        f"How many: about {A_RING * RINGS} or more. Walk around "
        f"{one.name if several else one.him} three times, at the height of {one.his} back, once "
        f"lower and once higher, and take a photo at every small step: {A_RING} each time round.",
        "Overlap: each photo should show at least two thirds of what the one before it showed, so "
        "that every spot appears in three photos or more.",
        f"Then some close-ups, sharp and one by one: both sides, front, back, from above, and "
        f"{one.his} face from the front and from both sides.",
        f"One photo with a sheet of white paper beside {one.him}, so that we see the colours as "
        "they are.",
        "Light: outside under cloud, or in open shade. No flash, and no sun that comes and goes.",
        f"Fill the frame with {'the one animal' if several else one.him}, sharp from front to "
        "back, and don’t change the zoom.",
        "Send us the files as they come from the camera: not cropped, no filter, no stills from a "
        "film, and not through a chat app, which makes them smaller.",
        f"Tell us how big {one.he} {'are' if several else 'is'}: {_measures(animals)}. A photo "
        f"with a tape measure beside {one.him} is best. And describe the colours as you see them.",
        f"How to send them: {how_to_send}",
    )
    lead_to_marks = (
        "please show each of them close up, from three heights. Left and right are the animal’s "
        "own. Some phones mirror their photos: where we ask which side, tell us in words."
    )
    blocks = [
        Block("text", (lead,)),
        *([Block("rounds", (THE_ROUNDS,))] if drawn and _with_a_coat(animals) else []),
        Block("points", points),
        *_marks(animals, f"We match these markings one by one, so {lead_to_marks}"),
        Block("quiet", (_welfare(one, animals),)),
    ]
    return Section(f"How to photograph {names}", tuple(blocks))


def _with_a_coat(animals: Sequence[AnimalFacts]) -> bool:
    return all(surface(animal.kind)[0] == "coat" for animal in animals)


def _measures(animals: Sequence[AnimalFacts]) -> str:
    if not _with_a_coat(animals):
        return "the height, or the length"
    return "the height at the shoulder, and the length"


def _marks(animals: Sequence[AnimalFacts], lead: str) -> list[Block]:
    """What is said of all markings once, and a line for each of them."""
    lines = [
        f"{animal.name}: {say_mark(mark)}" if len(animals) > 1 else say_mark(mark)
        for animal in animals
        for mark in animal.marks
    ]
    return [Block("text", (lead,)), Block("points", tuple(lines))] if lines else []


def say_mark(mark: MarkFacts) -> str:
    """A mark by its place, name and side: "Hind leg: white stocking (left)"."""
    place = f"{mark.place}: " if mark.place else ""
    side = {
        "left": " (left)",
        "right": " (right)",
        "both": " (both sides)",
        "not_asked": " (left, right, or neither? Please tell us)",
    }.get(words.side_of(mark.side, mark.what, mark.place), "")
    return words.capital(f"{place}{mark.what}{side}")


def _welfare(one: Voice, animals: Sequence[AnimalFacts]) -> str:
    several = len(animals) > 1
    enough = f"{one.he} {'have' if several else 'has'} had enough"
    knows = f"{one.he} {'know' if several else 'knows'}"
    sign = f"at the first sign that {enough}"
    if _with_a_coat(animals):
        sign = f"when you see lip licking, yawning, ears laid back or wide eyes: {enough}"
    return (
        f"{words.capital(one.his)} comfort comes first. Let {one.him} come to you, with somebody "
        f"{knows} close by. No chasing, no cornering, no holding still by force. Stop {sign}. "
        "Begin again on another day."
    )


def _remembered(animals: Sequence[AnimalFacts], how_to_send: str) -> Section:
    one = _voice(animals)
    names = words.listed([animal.name for animal in animals])
    lead = (
        f"Please send us whatever photos you have of {names}, however few. Small, old and blurred "
        "ones help too, and so do prints: lay them flat in daylight and photograph them from "
        "straight above."
    )
    points = (
        "What helps most: both sides, the face, and any view from behind or above.",
        "Send the files as they are, the largest you have. If all you have is a copy from a chat, "
        "send that.",
        f"Tell us {one.his} height or length, and the colours as you remember them.",
        f"How to send them: {how_to_send}",
    )
    lead_to_marks = (
        "We match these markings one by one. Where no photo shows one of them, a few words about "
        "it are enough. Left and right are the animal’s own."
    )
    after = (
        f"What the photos don’t show, we’ll shape from what we know of {one.him}, and we’ll ask "
        "you about it before we begin."
    )
    blocks = [
        Block("text", (lead,)),
        Block("points", points),
        *_marks(animals, lead_to_marks),
        Block("quiet", (after,)),
    ]
    return Section(f"Photos of {names}", tuple(blocks))


# ---------------------------------------------------------------- until they are settled


def until_passed(animal: AnimalFacts, days: Days) -> list[Block]:
    """What is said of an animal while its model is at the photo steps."""
    match animal.model.step:
        case Step.PHOTOS_WANTED if animal.told_at is not None:
            return [Block("text", (_told(animal, days),))]
        case Step.PHOTOS_WANTED if animal.attempts:
            return more_views(animal)
        case Step.PHOTOS_WANTED:
            return [Block("text", (_wanted(animal),))]
        case Step.PHOTOS_IN:
            return [Block("text", (_counted(animal, days),)), Block("quiet", (_queue(animal),))]
        case Step.BUILDING:
            return _building(animal, days)
        case _:
            return [Block("text", (_counted(animal, days) + " " + _assessing(animal),))]


def _wanted(animal: AnimalFacts) -> str:
    if animal.remembered:
        return f"We’ll begin as soon as we have your photos of {animal.name}."
    return f"We’re looking forward to your photos of {animal.name}. They’re the first step."


def _told(animal: AnimalFacts, days: Days) -> str:
    photos = "more photos" if animal.attempts else "photos"
    if animal.told_files:
        more = "more " if animal.attempts else ""
        photos = words.count(animal.told_files, f"{more}photo")
    are = "is" if animal.told_files == 1 else "are"
    assert animal.told_at is not None
    return (
        f"You told us {days.on(animal.told_at)} that {photos} of {animal.name} {are} on the way. "
        "We haven’t counted them in yet."
    )


def more_views(animal: AnimalFacts) -> list[Block]:
    """The numbered views that are asked for now."""
    one = voice(animal)
    wishes = tuple(view.wish for view in sorted(animal.views, key=lambda view: view.number))
    few = 0 < len(wishes) <= FEW_VIEWS and not any(map(_ANEW.search, wishes))
    kept = "They don’t cost anything extra, and we keep everything you’ve already sent."
    if animal.remembered:
        lead = (
            f"Your photos of {animal.name} are a great help. Some places don’t show in any of "
            "them. If you come across photos that show these, they would help most:"
        )
        kept += (
            " If there are none, a word from you is enough: then we’ll shape those places from "
            f"what we know of {one.him}."
        )
    elif few:
        lead = (
            f"Most of {animal.name} shows up well in your photos. We need a few more views to "
            "finish the model:"
        )
        kept += " There’s no need to start again."
    else:
        lead = (
            f"These photos of {animal.name} didn’t give us a model we can work from yet. With "
            "these views we can try again:"
        )
    middle = [Block("steps", wishes)] if wishes else []
    return [Block("text", (lead,)), *middle, Block("quiet", (kept,))]


def _counted(animal: AnimalFacts, days: Days) -> str:
    number = f"{animal.pictures} " if animal.pictures else ""
    if animal.counted_at is None:
        return f"We have your {number}photos of {animal.name}."
    again = ", the new ones included" if animal.attempts else ""
    return (
        f"We have your {number}photos of {animal.name}{again}, and counted them in "
        f"{days.on(animal.counted_at)}."
    )


def _queue(animal: AnimalFacts) -> str:
    missing = animal.model.unpaid
    waits = "They’re waiting for a free machine."
    if missing is not None:
        waits = f"That starts as soon as {missing.called} is in."
    return f"Next a machine builds a model from them. {waits} {_after_building(animal)}"


def _after_building(animal: AnimalFacts) -> str:
    if animal.remembered:
        return (
            "Once it’s built, we’ll see what the photos show. What they don’t show, we’ll shape "
            f"from what we know of {voice(animal).him}, and check with you."
        )
    return "Once it’s built, we’ll see whether we can work from your photos as they are."


def _building(animal: AnimalFacts, days: Days) -> list[Block]:
    one = voice(animal)
    begun = (
        f"{words.capital(days.since(animal.model.since))} a machine has been building "
        f"{own(animal.name)} model from {one.his} photos. It runs day and night"
    )
    if animal.build_ends_at is None:
        begun += "."
    elif animal.build_ends_at > days.now:
        begun += f" and should finish {days.about(animal.build_ends_at)}."
    else:
        begun += ". It’s taking longer than usual. That needn’t mean anything."
    return [Block("text", (begun,)), Block("quiet", (_after_building(animal),))]


def _assessing(animal: AnimalFacts) -> str:
    who = animal.model.by if animal.model.in_hand else ""
    looks = f"{who} is looking" if who else "Next one of us looks"
    if animal.came_by != MoveKey.BUILD_FINISHED:
        return f"{looks} through them one by one. Then we’ll write to you."
    return (
        f"A machine has built a model from them. {looks} at it from all sides, next to your "
        "photos. Then we’ll write to you."
    )
