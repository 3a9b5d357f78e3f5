"""`likewright photos check FOLDER [--json] [--data DIR]`: the check at the prompt."""

import json
import sys
from contextlib import closing
from pathlib import Path

from app.photos.check.answer import CheckResult, Progress, as_json
from app.photos.check.rules import Verdict
from app.photos.check.run import check_folder
from app.photos.check.thresholds import Thresholds
from app.photos.verdicts import ASPECTS, FITS, verdict_words
from app.shared.places import DataFolder
from app.shared.web.words import capital

EXIT_CODES = {
    Verdict.WILL_DO: 0,
    Verdict.DOUBTFUL: 1,
    Verdict.WILL_NOT_DO: 2,
    Verdict.NOTHING_READABLE: 3,
}


def main(folder: Path, as_json_text: bool = False, studio: DataFolder | None = None) -> int:
    """Check a folder, print the answer and return the exit code.

    0 usable, 1 doubtful, 2 not usable, 3 none readable. With `as_json_text` standard output
    is one JSON object and nothing else; progress goes to standard error either way. The lines are
    drawn where `studio` has them, or at the measured defaults. Raises CannotStart.
    """
    thresholds = None if studio is None else thresholds_of(studio)
    result = check_folder(folder, thresholds, _say)
    if as_json_text:
        print(json.dumps(as_json(result), indent=1))
    else:
        print("\n".join(_lines(result)))
    sys.stdout.flush()
    return EXIT_CODES[result.verdict]


def thresholds_of(studio: DataFolder) -> Thresholds:
    """The lines as this studio has moved them. Raises CannotStart where there is no studio."""
    if not studio.database_file.exists():
        raise studio.missing()
    # Only here: without a studio the check needs no database.
    from app.photos.check import thresholds_kept
    from app.shared.database import Database

    with closing(Database(studio.database_file)) as database, database.reading() as db:
        return thresholds_kept.load(db)


def _say(progress: Progress) -> None:
    if progress.finding and progress.stage == "reading":
        print(f"{progress.done} of {progress.total}  {progress.finding}", file=sys.stderr)
        sys.stderr.flush()


def _lines(result: CheckResult) -> list[str]:
    lines = [f"{capital(verdict_words(result.verdict))}."]
    for reason in result.reasons:
        lines.append(f"  {reason.text}")
        if reason.pictures:
            lines.append(f"    {_few(reason.pictures)}")
    if result.aspects:
        lines.append("In detail:")
        lines += [f"  {ASPECTS[a]}: {FITS.get(v, v)}" for a, v in result.aspects.items()]
    if result.advice:
        lines.append("Advice:")
        lines += [f"  {a.number}. {a.text}" for a in result.advice]
    if result.cannot_tell:
        lines.append("What the check cannot tell:")
        lines += [f"  {text}" for text in result.cannot_tell]
    return lines


def _few(names: tuple[str, ...]) -> str:
    shown = ", ".join(names[:8])
    return shown if len(names) <= 8 else f"{shown} and {len(names) - 8} more"
