"""How much of an order has to be paid before work starts; never an amount. Pure."""

from enum import StrEnum


class Paid(StrEnum):
    """How much of an order is paid, or has to be."""

    NONE = "none"
    PART = "part"
    ALL = "all"

    def covers(self, needed: "Paid") -> bool:
        """Whether so much is as much as is needed."""
        order = list(Paid)
        return order.index(self) >= order.index(needed)

    @property
    def called(self) -> str:
        """What the customer still has to pay, where so much is needed."""
        return "the deposit" if self is Paid.PART else "the payment"
