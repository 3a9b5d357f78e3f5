"""Refusals in plain words. One place (shared.web.refusals) turns them into HTTP."""

from collections.abc import Mapping


class Refused(Exception):
    """The house says no, and says why. The words are shown to the person who asked."""


class NotFound(Refused):
    """What was asked for is not here."""


class NotAllowed(Refused):
    """This person's role does not cover the act."""


class AlreadyMoved(Refused):
    """Somebody was quicker, or a wet finger tapped twice. Nothing happened a second time."""


class CannotWrite(Refused):
    """The disk takes nothing more. Nothing of the act was kept, and nothing else is lost."""


class TooBusy(Refused):
    """More is asked of the house than it takes just now; in `seconds` it may take it."""

    def __init__(self, text: str, seconds: int) -> None:
        super().__init__(text)
        self.seconds = seconds


class TooLarge(Refused):
    """A body is longer than its page takes."""

    def __init__(self) -> None:
        super().__init__("That is more than this page can take. Send less at a time.")


class BadFields(Refused):
    """A form with something wrong in it: a sentence for each field.

    `fields` maps the field's name to the sentence; the key "" holds what concerns the whole form.
    """

    def __init__(self, fields: Mapping[str, str]) -> None:
        super().__init__(" ".join(fields.values()))
        self.fields = dict(fields)


class CannotStart(Exception):
    """The program cannot begin its work, in words for the prompt."""
