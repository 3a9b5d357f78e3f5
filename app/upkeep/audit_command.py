"""The command `audit`: a calm table, or JSON alone. Exit 0 clean, 1 differs, 2 could not run."""

import json
import sys
from dataclasses import asdict

from app.shared import clock
from app.shared.errors import CannotStart
from app.shared.places import DataFolder
from app.upkeep.audit import AuditResult, PageChecks, audit

CLEAN, DIFFERS, COULD_NOT = 0, 1, 2
_SHOWN = 100


def main(folder: DataFolder, as_json: bool, page_checks: PageChecks | None = None) -> int:
    """Audit a folder, print what was found, give the exit code."""
    try:
        result = audit(folder, clock.now(), page_checks, with_pictures=True, with_key=True)
    except CannotStart as why:
        print(f"The audit could not run: {why}", file=sys.stderr, flush=True)
        return COULD_NOT
    if as_json:
        print(json.dumps(asdict(result), ensure_ascii=False), flush=True)
    else:
        print("\n".join(_lines(result)), flush=True)
    return CLEAN if result.ok else DIFFERS


def _lines(result: AuditResult) -> list[str]:
    counted = ", ".join(f"{count:,} {what}" for what, count in result.counts.items())
    lines = [f"Compared: {counted}."] if counted else []
    if result.to_look_at:
        lines += ["To look at:", *result.to_look_at]
    if result.ok:
        return [*lines, "Everything agrees with the log."]
    total = len(result.differences)
    lines.append(f"{total:,} {'difference' if total == 1 else 'differences'}:")
    rows = [("what", "id", "field", "cached", "from the log")]
    rows += [
        (d.what, str(d.id), d.field, _say(d.cached), _say(d.from_log))
        for d in result.differences[:_SHOWN]
    ]
    widths = [max(len(row[column]) for row in rows) for column in range(5)]
    lines += [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    ]
    if total > _SHOWN:
        lines.append(f"and {total - _SHOWN:,} more; --json lists all of them.")
    return lines


def _say(value: object) -> str:
    return "nothing" if value is None or value == "" else str(value)[:60]
