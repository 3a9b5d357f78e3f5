"""Print what becomes of a letter at every answer to every verb of a mail server.

PYTHONPATH=. python -m tests.letters.smtp_table
"""

import time

from app.letters.post import MailRefused, TryAgain
from tests.letters.mail_server import MailServer
from tests.letters.test_post import TABLE, mail_to, way


def main() -> None:
    """One row an answer: what the letter becomes, copies taken over, seconds, words for the desk."""
    print(f"{'verb':8} {'answer':20} {'becomes':8} {'copies':>6} {'s':>5}  why")
    for verb, answer, meant in TABLE:
        with MailServer() as server:
            server.script[verb] = [answer, answer]
            begun = time.monotonic()
            became, why = "went", ""
            try:
                way(server)(mail_to(), "x")
            except TryAgain as said:
                became, why = "later", str(said)
            except MailRefused as said:
                became, why = "never", str(said)
            took = time.monotonic() - begun
            mark = "" if became == meant else "  <- not as meant"
            copies = len(server.kept)
            print(f"{verb:8} {answer:20} {became:8} {copies:6} {took:5.2f}  {why}{mark}")


if __name__ == "__main__":
    main()
