"""What a page may ask for as an argument: the workshop, and who is signed in.

The two are coroutines, because a plain function would go through the thread pool for nothing.
"""

from typing import Annotated

from fastapi import Depends, Path, Query, Request

from app.shared.people import Person
from app.studio.workshop import Workshop


async def _workshop(request: Request) -> Workshop:
    workshop: Workshop = request.app.state.workshop
    return workshop


async def _person(request: Request) -> Person:
    person: Person = request.state.person
    return person


# A row's number in an address: SQLite's whole numbers end at 2^63.
RowId = Annotated[int, Path(ge=0, le=2**53)]
# The same, asked for behind the question mark.
AskedId = Annotated[int, Query(ge=0, le=2**53)]
TheWorkshop = Annotated[Workshop, Depends(_workshop)]
Me = Annotated[Person, Depends(_person)]
