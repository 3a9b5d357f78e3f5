"""Approve what customers read, as it is composed now:  python -m tests.status.approve"""

from tests.status.customers import APPROVED, compose

if __name__ == "__main__":
    APPROVED.parent.mkdir(exist_ok=True)
    APPROVED.write_text(compose(), encoding="utf-8")
    print(f"Written: {APPROVED}. Read the difference before you commit it.")
