"""The child process that checks a set: `python -m app.photos.check.child`.

It reads one JSON object (files: name and path of each, remembered, thresholds, sheet: where to
write the contact sheet) and answers with a line of JSON for each step, the whole answer in the
last.
"""

import json
import os
import sys
from dataclasses import asdict
from pathlib import Path

from app.photos.check.answer import CheckResult, Progress, as_json
from app.photos.check.graph_picture import view_graph_svg
from app.photos.check.run import check_files
from app.photos.check.thresholds import Thresholds
from app.photos.pictures.contact_sheet import contact_sheet
from app.photos.pictures.reading import Found


def main() -> None:
    """Check what is asked for on standard input. The pages' work goes first: be nice."""
    os.nice(10)
    wish = json.load(sys.stdin)
    found = [Found(name, Path(path)) for name, path in wish["files"]]
    thresholds = Thresholds(**wish["thresholds"])
    result = check_files(found, thresholds, _tell, wish["remembered"])
    if result.contacts:
        Path(wish["sheet"]).write_bytes(_sheet(result))
    _say({"result": as_json(result), "graph": _graph(result)})


def _sheet(result: CheckResult) -> bytes:
    names = [picture.name for picture in result.facts.pictures]
    words = {
        name: ", ".join(sorted(wrong - {"hopeless"}))
        for name, wrong in zip(names, result.flaws, strict=False)
        if wrong
    }
    return contact_sheet(names, result.contacts, words)


def _graph(result: CheckResult) -> str:
    joins = result.thresholds.quick_agreeing
    joined = any(link.agreeing >= joins for link in result.links)
    return view_graph_svg(result.facts, result.links, joins) if joined else ""


def _tell(progress: Progress) -> None:
    _say({"progress": asdict(progress)})


def _say(line: object) -> None:
    sys.stdout.write(json.dumps(line) + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
