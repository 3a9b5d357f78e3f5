"""Pieces that several files move about."""

import pytest

from app.flow.steps import Step
from tests.flow.pieces import order_at
from tests.making import CAST, NOW, Wanted, make_order


@pytest.fixture
def in_painting(database):
    return order_at(database, Step.PAINTING).copy()


@pytest.fixture
def finishing(database):
    return make_order(database, CAST.desk, NOW, [Wanted(step=Step.FINISHING, copies=2)])
