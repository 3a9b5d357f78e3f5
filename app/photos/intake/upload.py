"""An upload as it arrives: multipart parts go straight to the disk, one file after another.

Memory stays at one piece of the body whatever is sent. `feed` works (it writes, opens pictures and
commits rows): call it in a thread.
"""

from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Self

from python_multipart.exceptions import FormParserError
from python_multipart.multipart import MultipartParser, parse_options_header
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request

from app.photos.intake.archive import is_zip
from app.photos.intake.inbox import ZIP_AT_MOST
from app.photos.pictures.files import Incoming
from app.photos.pictures.reading import FILE_AT_MOST
from app.shared.errors import BadFields

BODY_AT_MOST = 4 * 2**30
_HEADERS_AT_MOST = 8 * 1024
_BROKEN = "This upload could not be read. Choose the files again, please."

# One piece of the body may close that many files, no more: each is open for a moment.
_SLICE = 1 << 14

Finished = Callable[[Incoming, str], None]


async def receive(
    body: AsyncIterator[bytes], content_type: str, pictures: Path, finished: Finished
) -> None:
    """Take a whole multipart body; each file in it goes to `finished`, in a thread.

    `pictures` is that folder. Raises BadFields for what is no multipart body, or ends too early.
    """
    with Upload(content_type, pictures, finished) as upload:
        async for piece in body:
            for start in range(0, len(piece), _SLICE):
                await run_in_threadpool(upload.feed, piece[start : start + _SLICE])
        if not upload.ended:
            raise BadFields({"": "The upload ended too early. Choose the same files again."})


async def receive_one(request: Request, pictures: Path, act: Callable[[Path], object]) -> None:
    """Take the one file that a form sends; `act` gets it, in a thread. More than one is left alone.

    Raises BadFields where none was chosen, and what `act` raises.
    """
    done: list[object] = []

    def finished(file: Incoming, _: str) -> None:
        if not done and file.size:
            done.append(act(file.path) or True)

    kind = request.headers.get("content-type", "")
    await receive(request.stream(), kind, pictures, finished)
    if not done:
        raise BadFields({"file": "Choose a photo first."})


class Upload:
    """One multipart body. Each file part that is whole goes to `finished` with its name."""

    def __init__(self, content_type: str, pictures: Path, finished: Finished) -> None:
        kind, options = parse_options_header(content_type)
        boundary = options.get(b"boundary", b"")
        if kind != b"multipart/form-data" or not 0 < len(boundary) <= 200:
            raise BadFields({"": _BROKEN})
        self._pictures, self._finished = pictures, finished
        self._file: Incoming | None = None
        self._name: str | None = None
        self._headers: dict[bytes, bytes] = {}
        self._header, self._value = b"", b""
        self._heard = 0
        self.ended = False
        self._parser = MultipartParser(
            boundary,
            {
                "on_part_begin": self._begin,
                "on_header_field": self._on_field,
                "on_header_value": self._on_value,
                "on_header_end": self._on_header,
                "on_headers_finished": self._on_headers,
                "on_part_data": self._on_data,
                "on_part_end": self._on_end,
                "on_end": self._on_whole,
            },
        )

    def feed(self, part: bytes) -> None:
        """Take the next piece of the body. Raises BadFields for what is no multipart body."""
        try:
            self._parser.write(part)
        except FormParserError as why:
            raise BadFields({"": _BROKEN}) from why

    def _begin(self) -> None:
        self._headers, self._name, self._heard = {}, None, 0

    def _on_field(self, data: bytes, start: int, end: int) -> None:
        self._header += data[start:end]
        self._count(end - start)

    def _on_value(self, data: bytes, start: int, end: int) -> None:
        self._value += data[start:end]
        self._count(end - start)

    def _count(self, more: int) -> None:
        self._heard += more
        if self._heard > _HEADERS_AT_MOST:
            raise BadFields({"": _BROKEN})

    def _on_header(self) -> None:
        self._headers[self._header.lower()] = self._value
        self._header = self._value = b""

    def _on_headers(self) -> None:
        _, options = parse_options_header(self._headers.get(b"content-disposition", b""))
        name = options.get(b"filename")
        # A field that is no file, or a file field that was left empty, is passed over.
        self._name = name.decode("utf-8", "replace") if name else None
        if self._name is not None:
            self._file = Incoming(self._pictures)

    def _on_data(self, data: bytes, start: int, end: int) -> None:
        file = self._file
        if file is None:
            return
        most = ZIP_AT_MOST if is_zip(file.head) else FILE_AT_MOST
        # One byte too many is enough to say so; the rest is read and let go.
        if file.size <= most:
            file.write(data[start:end])

    def _on_end(self) -> None:
        file, self._file = self._file, None
        if file is not None and self._name is not None:
            with file:
                self._finished(file, self._name)

    def _on_whole(self) -> None:
        self.ended = True

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        file, self._file = self._file, None
        if file is not None:
            file.__exit__()
