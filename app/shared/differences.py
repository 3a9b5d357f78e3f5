"""What an audit finds: something kept that is not what it was made from."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection

Reading = Callable[[], AbstractContextManager[Connection]]
"""A way to read: each `with reading() as db` is one snapshot."""


@dataclass(frozen=True, slots=True)
class Difference:
    """`what` is the kind of row, page or file, `id` its id (a page's: its order's)."""

    what: str
    id: int
    field: str
    cached: Any
    from_log: Any
