"""Pieces that several files move about."""

import pytest

from app.flow.steps import Step
from tests.flow.pieces import order_at
from tests.making import CAST, NOW, Wanted, make_order


@pytest.fixture
def in_painting(house):
    return order_at(house, Step.PAINTING).copy()


@pytest.fixture
def finishing(house):
    return make_order(house, CAST.desk, NOW, [Wanted(step=Step.FINISHING, copies=2)])
