"""How to photograph an animal, and what is said of photographs until they pass. Pure.

The figures are those of photogrammetry guides: 60 to 80 in 100 of overlap and every place in three
pictures or more; a picture each 15 degrees is 24 to a ring, three rings are 72; even light, no
flash, one zoom setting, original files. What animals show when they have had enough is common
knowledge of those who photograph them (lips licked, yawning, ears laid back, wide eyes).
"""

from collections.abc import Sequence

from app.flow.steps import MoveKey, Step
from app.orders.facts.order import AnimalFacts, MarkFacts
from app.shared.web import words
from app.status.document import Block, Section
from app.status.voice import Days, Voice, own, surface, voice

A_RING = 24
RINGS = 3


def how_to(animals: Sequence[AnimalFacts]) -> list[Section]:
    """The sections on photographs for animals of which a first set is wanted."""
    living = [animal for animal in animals if not animal.remembered]
    found = [_living(living)] if living else []
    return [*found, *(_remembered(animal) for animal in animals if animal.remembered)]


def _living(animals: Sequence[AnimalFacts]) -> Section:
    one = voice(animals[0]) if len(animals) == 1 else Voice("each of them", "it", "it", "its")
    names = words.listed([animal.name for animal in animals])
    lead = (
        f"{names} {'does' if len(animals) == 1 else 'do'} not have to stand still. What we work "
        "from is many plain, sharp pictures from all around."
    )
    if len(animals) > 1:
        lead += " Please take a set of each, and keep the sets apart."
    points = (
        f"How many: about {A_RING * RINGS} or more. Walk around {one.him} three times, at the "
        f"height of {one.his} back, once lower and once higher, and take a picture at every small "
        f"step: {A_RING} to a round.",
        "Overlap: each picture should show at least two thirds of what the one before it showed, "
        "so that every place can be seen in three pictures or more.",
        f"Then one by one, near and sharp: both sides, front, back, from above, and {one.his} face "
        "from the front and from both sides.",
        "Light: outside under clouds, or in open shade. No flash, and no sun that comes and goes.",
        f"Fill the picture with {one.him}, sharp from front to back, and leave the zoom as it is.",
        "Send the files as the camera made them: not cropped, no filter, not through a chat app, "
        "no stills out of a film.",
        f"Write beside them how large {one.he} is (height, or length), and the colours as you see "
        "them.",
    )
    blocks = [Block("text", (lead,)), Block("points", points)]
    for animal in animals:
        blocks.extend(_marks(animal))
    blocks.append(Block("quiet", (_welfare(one, animals),)))
    return Section(f"How to photograph {names}", tuple(blocks))


def _marks(animal: AnimalFacts) -> list[Block]:
    if not animal.marks:
        return []
    lead = (
        f"These marks of {own(animal.name)} we match one by one, so please show each of them "
        "close, at three heights. Left and right are the animal’s own. Some phones mirror their "
        "pictures: where we ask for the side, tell us in words."
    )
    return [Block("text", (lead,)), Block("points", tuple(map(say_mark, animal.marks)))]


def say_mark(mark: MarkFacts) -> str:
    """A mark by its place, name and side: "Hind leg: white stocking (left)"."""
    place = f"{mark.place}: " if mark.place else ""
    side = {
        "left": " (left)",
        "right": " (right)",
        "both": " (both sides)",
        "not_asked": " (left, right, or neither? Please tell us)",
    }.get(mark.side, "")
    return words.capital(f"{place}{mark.what}{side}")


def _welfare(one: Voice, animals: Sequence[AnimalFacts]) -> str:
    coated = all(surface(animal.kind)[0] == "coat" for animal in animals)
    sign = (
        f"when lips are licked, at a yawn, at ears laid back or wide eyes: {one.he} has had enough"
        if coated
        else f"at the first sign that {one.he} has had enough"
    )
    return (
        f"{words.capital(own(one.name) if one.his == own(one.name) else one.his)} comfort comes "
        f"first. Let {one.him} come to you, with somebody {one.he} knows there. No chasing, no "
        f"corners, no holding still by force. Stop {sign}. A few pictures on each of several days "
        "do as well as all on one."
    )


def _remembered(animal: AnimalFacts) -> Section:
    one = voice(animal)
    blocks = [
        Block(
            "text",
            (
                f"Please send whatever photographs you have of {animal.name}. There is no number "
                "to reach: small, old and blurred ones help too, and so do prints, laid flat in "
                "daylight and photographed from straight above.",
            ),
        ),
        Block(
            "points",
            (
                f"Most help comes from {one.his} two sides, the face, and any view from behind or "
                "above.",
                "Send the files as they are, the largest you have. Where there is only a copy out "
                "of a chat, send that.",
                f"Write beside them {one.his} height or length, and the colours as you know them.",
            ),
        ),
    ]
    if animal.marks:
        lead = f"These marks of {own(animal.name)} we match one by one. Where no photograph shows "
        lead += "them, a few words about each are enough. Left and right are the animal’s own."
        blocks.append(Block("text", (lead,)))
        blocks.append(Block("points", tuple(map(say_mark, animal.marks))))
    blocks.append(
        Block(
            "quiet",
            (
                "What the photographs do not show is worked by eye, and we ask you about it "
                "before we begin.",
            ),
        )
    )
    return Section(f"The photographs of {animal.name}", tuple(blocks))


# ---------------------------------------------------------------- until they pass


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
        return f"We begin as soon as your photographs of {animal.name} are here."
    return f"We are looking forward to your photographs of {animal.name}. They are the first step."


def _told(animal: AnimalFacts, days: Days) -> str:
    what = "the further views" if animal.attempts else "the photographs"
    number = f": {animal.told_files} of them" if animal.told_files else ""
    assert animal.told_at is not None
    return (
        f"You told us on {days.at(animal.told_at)} that {what} of {animal.name} are on their way"
        f"{number}. They have not been counted here yet. There is nothing to do until we write."
    )


def more_views(animal: AnimalFacts) -> list[Block]:
    """The numbered views that are asked for now."""
    one = voice(animal)
    if animal.remembered:
        lead = (
            f"Your photographs of {animal.name} carry us a long way. Some places none of them "
            "shows. If you come upon any that do, these would help most:"
        )
        after = (
            "They cost you nothing, and all that you sent is kept. If there are none, a word from "
            f"you is enough: then those places are worked by eye, from what we know of {one.him}."
        )
    else:
        lead = (
            f"Most of {animal.name} can be seen well in your photographs. Before the model is "
            "good we need more views:"
        )
        after = (
            "They cost you nothing, and all that you sent is kept: there is no need to begin again."
        )
    views = [view.wish for view in sorted(animal.views, key=lambda view: view.number)]
    middle = [Block("steps", tuple(views))] if views else []
    return [Block("text", (lead,)), *middle, Block("quiet", (after,))]


def _counted(animal: AnimalFacts, days: Days) -> str:
    number = f": {animal.pictures} of them" if animal.pictures else ""
    if animal.counted_at is None:
        return f"The photographs of {animal.name} are here{number}."
    again = ", with the further views" if animal.attempts else ""
    return (
        f"The photographs of {animal.name} are here{again}, counted on "
        f"{days.at(animal.counted_at)}{number}."
    )


def _queue(animal: AnimalFacts) -> str:
    return (
        "Next a machine builds a model from them; it is waiting for a free machine. "
        + _after_building(animal)
    )


def _after_building(animal: AnimalFacts) -> str:
    if animal.remembered:
        return (
            "When it is built we see what the photographs show. What they do not show we work by "
            "eye, with you."
        )
    return "When it is built we see whether we can work from them as they are."


def _building(animal: AnimalFacts, days: Days) -> list[Block]:
    one = voice(animal)
    begun = (
        f"Since {days.at(animal.model.since)} a machine has been building {own(animal.name)} model "
        f"from {one.his} photographs. It runs day and night"
    )
    if animal.build_ends_at is None:
        begun += "."
    elif animal.build_ends_at > days.now:
        begun += f", until about {days.about(animal.build_ends_at)}."
    else:
        begun += ". The run goes on past the time first reckoned, and that says nothing yet."
    return [Block("text", (begun,)), Block("quiet", (_after_building(animal),))]


def _assessing(animal: AnimalFacts) -> str:
    one = voice(animal)
    who = animal.model.by
    if animal.came_by == MoveKey.BUILD_FINISHED:
        work = f"{one.his} model from all sides, beside the photographs"
        lead = "A model has been built from them. "
    else:
        work, lead = "them one by one", ""
    looked = (
        f"{who} is looking at {work}"
        if animal.model.in_hand and who
        else f"Next one of us looks at {work}"
    )
    return f"{lead}{looked}. Then we write to you."
