"""Reading a form: plain text fields, each at most once, then a pydantic model with plain words.

A form that cannot be granted raises BadFields; the page shows it again with what was typed.
"""

from collections.abc import Iterable, Mapping
from typing import Annotated, Any, TypeVar

from fastapi import Depends, Request
from pydantic import BaseModel, ValidationError
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect

from app.shared.errors import BadFields

# Twelve animals with 24 lines of copies each, every field of them, come to 3 100.
MOST_FIELDS = 3_500
Typed = TypeVar("Typed", bound=BaseModel)


class Form:
    """What was typed. `many` gives every value of a field that may repeat (ticks)."""

    def __init__(self, pairs: Iterable[tuple[str, str]]) -> None:
        self.lists: dict[str, list[str]] = {}
        for name, value in pairs:
            self.lists.setdefault(name, []).append(value)

    def __getitem__(self, name: str) -> str:
        return self.get(name)

    def get(self, name: str, default: str = "") -> str:
        """A field's value. Raises BadFields where it was sent more than once."""
        values = self.lists.get(name, [default])
        if len(values) > 1:
            raise BadFields({name: "This field was sent twice. Fill it in once, please."})
        return values[0]

    def many(self, name: str) -> list[str]:
        """Every value of a field that may repeat."""
        return self.lists.get(name, [])

    def plain(self) -> dict[str, str]:
        """Field by field, the last value of each: for showing the form again."""
        return {name: values[-1] for name, values in self.lists.items()}

    def __contains__(self, name: str) -> bool:
        return name in self.lists


async def read_form(request: Request) -> Form:
    """The form of a request. Files are not taken here; a broken body is a 400 in words."""
    try:
        data = await request.form(max_files=0, max_fields=MOST_FIELDS)
    except (HTTPException, ValueError, ClientDisconnect) as why:
        raise BadFields({"": "This form could not be read. Load the page again."}) from why
    return Form((_whole(k), _whole(v)) for k, v in data.multi_items() if isinstance(v, str))


def _whole(text: str) -> str:
    """Text that can be written out again: half a surrogate pair becomes a question mark."""
    return text.encode("utf-8", "replace").decode()


Filled = Annotated[Form, Depends(read_form)]


def check(model: type[Typed], values: Mapping[str, Any], prefix: str = "") -> Typed:
    """The values as a checked model.

    Raises BadFields with a sentence for each field that is wrong; `prefix` is put before names.
    """
    try:
        return model.model_validate(values)
    except ValidationError as why:
        raise BadFields(
            {prefix + str(e["loc"][0] if e["loc"] else ""): say(dict(e)) for e in why.errors()}
        ) from None


def say(error: Mapping[str, Any]) -> str:
    """A validation error as a sentence for the person who typed."""
    kind, context = error["type"], error.get("ctx", {})
    match kind:
        case "missing" | "string_too_short":
            return "This has to be filled in."
        case "string_too_long":
            return f"At most {context['max_length']} characters, please."
        case "int_parsing" | "int_type" | "int_from_float" | "int_parsing_size":
            return "A whole number, please."
        case "greater_than_equal":
            return f"At least {context['ge']}, please."
        case "less_than_equal":
            return f"At most {context['le']}, please."
        case "literal_error" | "enum":
            return "Choose one from the list."
        case "value_error":
            return str(context.get("error", error["msg"]))
        case "date_from_datetime_parsing" | "date_parsing" | "date_type":
            return "A day like 2026-11-25, please."
        case _:
            return "That does not fit here. Check it, please."
