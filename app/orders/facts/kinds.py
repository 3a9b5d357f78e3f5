"""What kinds of animal have in common. Pure."""

_FEATHERED = {
    "bird", "budgerigar", "budgie", "canary", "chicken", "cockatiel", "cockatoo", "cockerel",
    "crow", "duck", "finch", "goose", "hen", "macaw", "owl", "parakeet", "parrot", "pigeon",
    "rooster", "swan", "turkey",
}  # fmt: skip
_SHELLED = {"tortoise", "turtle", "terrapin"}
_SCALED = {"lizard", "gecko", "iguana", "snake", "fish", "carp", "koi"}


def covered(kind: str) -> str:
    """What covers an animal of a kind, in one word: coat, feathers, shell or scales."""
    said = set(kind.casefold().replace("-", " ").split())
    if said & _FEATHERED:
        return "feathers"
    if said & _SHELLED:
        return "shell"
    return "scales" if said & _SCALED else "coat"
