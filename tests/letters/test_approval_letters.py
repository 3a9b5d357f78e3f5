"""What the customer approves goes as one letter, with its pictures and nothing else of them."""

import io
from collections.abc import Iterator
from pathlib import Path

import pytest
from PIL import Image

from app.flow.steps import Step
from app.letters import outbox, sending
from app.letters import worker as letters_worker
from app.photos.pictures import files as pictures
from app.photos.release import approvals
from app.photos.release.actions import place
from app.photos.release.approvals import ApprovalFields
from tests.letters.mail_server import MailServer
from tests.letters.studio import MINUTE, LetterShop, files, kinds, letters, ordered, read, text_of
from tests.making import CAST, DAY, NOW, Wanted, rows
from tests.photos.builds.test_release import a_picture


@pytest.fixture(scope="module", autouse=True)
def no_child_left() -> Iterator[None]:
    """The child that opens pictures ends with the tests."""
    yield
    pictures.OPENER.end()


WANTED = [Wanted("Juniper", step=Step.FINISHING)]


def shown(workshop: LetterShop, folder: Path, many: int = 2, wanted: list[Wanted] = WANTED) -> int:
    """An order whose model is sent to its customer with some pictures; gives the question."""
    made = ordered(workshop, wanted, approves="both", imported=True)
    question = approvals.begin(workshop, made.model(), CAST.desk)
    for number in range(many):
        source = folder / f"{number}.jpg"
        source.write_bytes(a_picture(400 + number, 300))
        approvals.add(workshop, question, source)
    asked = ApprovalFields(asked="Is the model of Juniper as you’d like it?", once="k")
    approvals.send(workshop, question, asked, CAST.desk)
    return question


def test_one_letter_carries_the_question_and_the_pictures(
    workshop: LetterShop, server: MailServer, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("LIKEWRIGHT_SMTP_URL", server.url)
    letters_worker.smtp_url.cache_clear()
    shown(workshop, tmp_path)
    assert workshop.post(15 * MINUTE) == 1
    [kept] = server.kept
    mail = read(kept.data)
    assert "The pictures are attached." in text_of(mail)
    assert "“Is the model of Juniper as you’d like it?”" in text_of(mail)
    attached = [part for part in mail.walk() if part.get_content_type() == "image/jpeg"]
    assert [part.get_filename() for part in attached] == ["picture-1.jpg", "picture-2.jpg"]
    for part in attached:
        assert part.get_content_disposition() == "inline"
        content = part.get_payload(decode=True)
        assert isinstance(content, bytes)
        with Image.open(io.BytesIO(content)) as opened:
            assert opened.format == "JPEG"
            assert not opened.getexif()
            assert "Goosecam" not in content.decode("latin-1")


@pytest.mark.parametrize(("life", "sent"), [("living", 2), ("remembered", 0)])
def test_after_three_and_seven_days_it_is_reminded_of_and_then_a_person_decides(
    workshop: LetterShop, tmp_path: Path, life: str, sent: int
) -> None:
    shown(workshop, tmp_path, wanted=[Wanted("Juniper", step=Step.FINISHING, life=life)])
    workshop.day_by_day(NOW + 20 * DAY)
    assert kinds(workshop) == ["question", *["approval_reminder"] * sent]
    if sent:
        said = text_of(read(files(workshop)[-1]))
        assert "your answer hasn’t reached us yet" in said
        assert "“Is the model of Juniper as you’d like it?”" in said
        days = rows(workshop.database, "SELECT sent_at FROM letters ORDER BY id")
        gaps = [(at - days[0][0]) // DAY for (at,) in days]
        # Wednesday's letter: Saturday's reminder goes on Monday, the other the Wednesday after.
        assert gaps in ([0, 4, 6], [0, 4, 7], [0, 5, 6], [0, 5, 7])


def test_the_same_letter_is_the_same_to_the_byte(workshop: LetterShop, tmp_path: Path) -> None:
    shown(workshop, tmp_path)
    letters_worker.form_round(workshop)
    workshop.moment += 15 * MINUTE
    letters_worker.form_round(workshop)
    office = letters_worker.office_of(workshop)
    letter = outbox.claim(workshop.database, 1, workshop.moment)
    assert letter is not None
    first, again = (sending.mail_of(workshop.database, office, letter).data for _ in range(2))
    assert first == again


def test_a_letter_whose_picture_is_lost_waits_for_a_person(
    workshop: LetterShop, tmp_path: Path
) -> None:
    question = shown(workshop, tmp_path, 1)
    with workshop.database.reading() as db:
        [file] = approvals.files_of(db, [question])
    place(workshop.folder.pictures, file).unlink()
    assert workshop.post(15 * MINUTE) == 0
    [(_, state, kind, _, why)] = letters(workshop)
    assert (state, kind) == ("dead", "question")
    assert "A picture that goes with it is missing" in str(why)
