"""What a page may ask for as an argument: the workshop, and who is signed in."""

from typing import Annotated

from fastapi import Depends, Request

from app.shared.people import Person
from app.studio.workshop import Workshop


def _workshop(request: Request) -> Workshop:
    shop: Workshop = request.app.state.workshop
    return shop


def _person(request: Request) -> Person:
    person: Person = request.state.person
    return person


Shop = Annotated[Workshop, Depends(_workshop)]
Me = Annotated[Person, Depends(_person)]
