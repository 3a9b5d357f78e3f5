"""What a sheet's columns may be, and what they probably are by their names. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from enum import StrEnum
from typing import Any, Final

from app.flow.steps import STEPS, Step
from app.history.days import DayOrder, evidence, usual_order
from app.history.table import Sheet
from app.shared.text import fold


class RowIs(StrEnum):
    """What one row of a sheet stands for."""

    COPY = "copy"
    ANIMAL = "animal"
    ORDER = "order"


# Steps at which a sheet may say that a piece arrived, in order of the way.
STEP_FIELDS: Final = (
    Step.PHOTOS_IN, Step.BUILDING, Step.ASSESSING, Step.FINISHING, Step.BLANK, Step.SHAPING,
    Step.PAINTING, Step.INSPECTION, Step.PACKING,
)  # fmt: skip
_AT_STEP: Final[Mapping[Step, str]] = {
    Step.PHOTOS_IN: "Day photos came",
    Step.FINISHING: "Day photos passed",
}
# By key: what it is called on the page.
FIELDS: Final[Mapping[str, str]] = {
    "code": "Piece’s code",
    "customer": "Customer’s name",
    "mail": "Customer’s email",
    "phone": "Customer’s phone",
    "animal": "Animal’s name",
    "kind": "Kind of animal",
    "breed": "Breed",
    "colours": "Colours",
    "life": "Animal: living or has died",
    "marks": "Markings",
    "reference": "Order’s number",
    "many": "How many copies",
    "size": "Size in mm",
    "pose": "Pose",
    "base": "Base",
    "finish": "Finish",
    "inscription": "Inscription",
    "note": "Note",
    "needed_by": "Needed by",
    "ordered": "Day ordered",
    **{str(step): _AT_STEP.get(step, f"Day {STEPS[step].name.lower()} began")
       for step in STEP_FIELDS},
    "sent": "Day sent",
    "cancelled": "Day cancelled",
    "step": "Where it stands",
    "since": "Standing there since",
}  # fmt: skip
DAY_FIELDS: Final = ("needed_by", "ordered", *map(str, STEP_FIELDS), "sent", "cancelled", "since")
NEEDED: Final = ("customer", "animal", "ordered")
# How columns are called in sheets (English, German, French); the longest that fits wins.
_CALLED: Final[Mapping[str, tuple[str, ...]]] = {
    "customer": ("customer", "client", "name of customer", "customer name", "ordered by", "kunde",
                 "kundin", "besteller", "name", "owner"),
    "mail": ("email", "e-mail", "mail", "courriel"),
    "phone": ("phone", "telephone", "tel", "telefon", "mobile", "handy"),
    "animal": ("animal", "pet", "animal name", "name of animal", "tier", "tiername"),
    "kind": ("kind", "species", "type of animal", "kind of animal", "tierart", "art", "espece"),
    "breed": ("breed", "rasse", "race"),
    "colours": ("colours", "colour", "coat", "farbe", "farben"),
    "life": ("life", "living", "remembered", "memorial", "alive", "lebt"),
    "marks": ("marks", "markings", "abzeichen"),
    "reference": ("order", "order no", "order number", "number", "no", "nr", "reference",
                  "bestellnummer", "auftrag", "auftragsnummer", "commande"),
    "many": ("copies", "quantity", "qty", "how many", "pieces", "anzahl", "stuck", "menge"),
    "size": ("size", "size mm", "size in mm", "height mm", "grosse", "hohe"),
    "pose": ("pose", "haltung"),
    "base": ("base", "sockel"),
    "finish": ("finish", "varnish"),
    "inscription": ("inscription", "engraving", "inschrift"),
    "note": ("note", "notes", "remark", "remarks", "comment", "bemerkung", "notiz"),
    "needed_by": ("needed by", "deadline", "due", "needed", "termin", "bis"),
    "ordered": ("ordered", "day ordered", "order date", "ordered on", "date", "date ordered",
                "start", "started", "taken on", "bestellt", "bestellt am", "eingang", "datum"),
    str(Step.PHOTOS_IN): ("photos came", "photos in", "photos received", "day photos came",
                          "fotos da", "fotos erhalten"),
    str(Step.FINISHING): ("photos passed", "photos accepted", "photos ok", "day photos passed",
                          "fotos ok", "fotos gut"),
    **{str(step): (STEPS[step].name, f"{STEPS[step].name} began", f"day {STEPS[step].name} began")
       for step in STEP_FIELDS if step not in (Step.PHOTOS_IN, Step.FINISHING)},
    str(Step.PACKING): ("packing", "packed", "packing began", "day packing began", "verpackt"),
    "sent": ("sent", "day sent", "shipped", "sent on", "dispatched", "finished", "end", "done",
             "delivered", "handed over", "versandt", "versendet", "fertig", "geliefert"),
    "cancelled": ("cancelled", "canceled", "day cancelled", "storniert", "annule"),
    "step": ("status", "state", "step", "stage", "where it stands", "stand"),
    "since": ("since", "standing there since", "seit"),
}  # fmt: skip


def _plain(name: str) -> str:
    for sign in "_.:’'":
        name = name.replace(sign, " ")
    return " ".join(fold(name).split())


_FIELD_OF: Final = {
    **{_plain(name): key for key, names in _CALLED.items() for name in names},
    **{_plain(name): key for key, name in FIELDS.items()},
}
# Columns that the file of bad rows has beside its own.
LINE_COLUMN, WHY_COLUMN = "Line (not read)", "What is wrong (not read)"


@dataclass(frozen=True)
class Choices:
    """How a sheet is read: `columns` maps its columns to fields, `orders` those of days to what
    comes first in them (where nothing is said, that is still to be asked)."""

    sheet: str = ""
    row_is: RowIs = RowIs.COPY
    columns: Mapping[str, str] = field(default_factory=dict)
    orders: Mapping[str, DayOrder] = field(default_factory=dict)

    def column_of(self, key: str) -> str | None:
        """The column that holds a field."""
        return next((name for name, of in self.columns.items() if of == key), None)

    def as_json(self) -> dict[str, Any]:
        """As they are kept, and as a map file has them."""
        return asdict(self)

    @staticmethod
    def read(kept: Mapping[str, Any]) -> "Choices":
        """From what `as_json` gave. Raises ValueError with words where it is not that."""
        try:
            columns = {str(name): str(of) for name, of in dict(kept.get("columns", {})).items()}
            orders = {str(n): DayOrder(o) for n, o in dict(kept.get("orders", {})).items()}
            row_is = RowIs(kept.get("row_is", RowIs.COPY))
        except (TypeError, ValueError, AttributeError) as why:
            raise ValueError(f"It is not a map of columns: {why}") from why
        unknown = sorted(of for of in columns.values() if of not in FIELDS)
        if unknown:
            raise ValueError(f"There is no such field: {', '.join(unknown)}")
        return Choices(str(kept.get("sheet", "")), row_is, columns, orders)


def problems(choices: Choices, sheet: Sheet) -> list[str]:
    """What has to be said before a sheet can be read, in words."""
    found = []
    gone = [name for name in choices.columns if name not in sheet.header]
    if gone:
        found.append(f"There is no column “{gone[0]}” in this sheet.")
    of = list(choices.columns.values())
    twice = next((key for key in of if of.count(key) > 1), None)
    if twice is not None:
        found.append(f"Two columns are “{FIELDS[twice]}”. Choose one of them.")
    for key in NEEDED:
        if key not in of:
            found.append(f"Say which column is “{FIELDS[key]}”.")
    if "sent" not in of and "step" not in of and "cancelled" not in of:
        found.append(f"Say which column is “{FIELDS['sent']}”, or “{FIELDS['step']}”.")
    for name, key in choices.columns.items():
        if key in DAY_FIELDS and name in sheet.header and name not in choices.orders:
            found.append(f"“{name}”: say whether the day or the month comes first.")
    return found


def guess(sheet: Sheet, country: str, kept: Sequence[Mapping[str, Any]] = ()) -> Choices:
    """What the columns probably are: as a person said of such columns before (`kept`, the newest
    first), else by their names; which of day and month comes first by the cells, then by country.
    """
    columns: dict[str, str] = {}
    row_is = _row_is(sheet)
    for before in kept:
        known = Choices.read(before)
        if set(known.columns) <= set(sheet.header):
            columns, row_is = dict(known.columns), known.row_is
            break
    else:
        columns = _by_names(sheet.header)
    return Choices(sheet.name, row_is, columns, orders_of(sheet, columns, country))


def orders_of(sheet: Sheet, columns: Mapping[str, str], country: str) -> dict[str, DayOrder]:
    """Which of day and month comes first in each column of days; what nothing tells is left out."""
    usual = usual_order(country)
    found = {}
    for name, key in columns.items():
        if key in DAY_FIELDS and name in sheet.header:
            order = evidence(sheet.column(name)).decided(usual)
            if order is not None:
                found[name] = order
    return found


def _by_names(header: Sequence[str]) -> dict[str, str]:
    found: dict[str, str] = {}
    for exact in (True, False):
        for name in header:
            if name in found or name in (LINE_COLUMN, WHY_COLUMN):
                continue
            key = _field_of(name, exact=exact)
            if key is not None and key not in found.values():
                found[name] = key
    return {name: found[name] for name in header if name in found}


def _field_of(name: str, *, exact: bool) -> str | None:
    plain = _plain(name)
    if exact:
        return _FIELD_OF.get(plain)
    fits = [called for called in _FIELD_OF if len(called) > 3 and called in plain]
    return _FIELD_OF[max(fits, key=len)] if fits else None


def _row_is(sheet: Sheet) -> RowIs:
    """A sheet in which an order's number comes once, with several animals in a cell, is of orders;
    one that counts copies is of animals."""
    columns = {key: name for name, key in _by_names(sheet.header).items()}
    if "animal" in columns:
        cells = [cell for cell in sheet.column(columns["animal"]) if cell.strip()]
        several = sum("," in cell or "&" in cell or ";" in cell for cell in cells)
        if cells and several * 20 > len(cells):
            return RowIs.ORDER
    return RowIs.ANIMAL if "many" in columns else RowIs.COPY
