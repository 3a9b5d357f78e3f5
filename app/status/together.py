"""How animals are spoken of that stand on one base: what is made of them is told once. Pure."""

from collections.abc import Iterable, Sequence

from app.flow.steps import Step
from app.orders.facts.order import AnimalFacts, CopyFacts, OrderFacts
from app.shared.web import words


def told_apart(animals: Sequence[AnimalFacts]) -> list[tuple[str, AnimalFacts]]:
    """The animals with their names, those that are told together under the first of them."""
    found: list[tuple[str, AnimalFacts]] = []
    for animal in animals:
        if _host(animal, animals) is None:
            with_it = (a for a in animals if a is animal or _host(a, animals) is animal)
            found.append((words.listed([one.name for one in with_it]), animal))
    return found


def _host(animal: AnimalFacts, animals: Iterable[AnimalFacts]) -> AnimalFacts | None:
    """Whose copies are all that is made of an animal, once both models are finished."""
    letters = {copy.letter for copy in animal.shared}
    hosts = [other for other in animals if other.letter in letters]
    if animal.copies or len(letters) != 1 or not hosts:
        return None
    both = (animal, hosts[0])
    same = all(one.model.step is Step.READY for one in both) or all(one.cancelled for one in both)
    return hosts[0] if same else None


def stands_with(animal: AnimalFacts, facts: OrderFacts) -> str:
    """Whose base an animal shares that has no copy of its own, and what the work waits for."""
    copy = animal.shared[0]
    names = [a.name for a in facts.animals if a.letter in (copy.letter, *copy.letters_beside)]
    others = words.listed([name for name in names if name != animal.name])
    ready = f"{animal.name}’s model is finished. " if animal.model.step is Step.READY else ""
    return (
        f"{ready}{animal.name} will stand on one base with {others}, so the work by hand begins "
        f"when {models_of(copy)} finished."
    )


def models_of(copy: CopyFacts) -> str:
    """The models that a copy waits for, with their verb."""
    return ("the model is", "both models are", "all the models are")[min(len(copy.beside), 2)]


def on_a_base(copy: CopyFacts, animal: AnimalFacts) -> str:
    """Whom a copy shows: Juniper; Bracken and Thistle, on one base."""
    if not copy.beside:
        return animal.name
    return f"{words.listed([one.name for one in (animal, *copy.beside)])}, on one base"
