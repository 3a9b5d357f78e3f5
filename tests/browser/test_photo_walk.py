"""Two whole walks at the photo desk, by pressing what a technician presses.

Three animals in one delivery: told of, fetched, given, checked, built, asked again, the union
checked, good with limits, marks completed, finished. And a remembered animal, of six prints.
"""

import re
from datetime import date, timedelta
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import Served
from tests.browser.test_main_acts import await_text
from tests.browser.test_more_acts import focus_is_visible, open_part, press
from tests.browser.walking import Walk, await_check, card, fetch, told
from tests.photos.check.sets import ring

GAP = (90, 180)
FREE = "cost anything extra"
CHEERFUL = re.compile(
    r"\b(looking forward|enjoy|how did|turn out|exciting|happy|wonderful|lovely|great|more views?"
    r"|further views?|new set|again soon)\b|!",
    re.IGNORECASE,
)


# ---------------------------------------------------------------- three animals, step by step


def order_of_three(walk: Walk) -> None:
    """Typed at the desk; Juniper's marks are noted, the side of one was not asked."""
    page = walk.page
    walk.go("/orders/new")
    for name, value in {
        "name": "Maren Oduya", "address_as": "Maren", "mail": "maren@oduya.example",
        "a0_name": "Juniper", "a0_kind": "Arab mare, grey", "a0_marks": "scar on the shoulder",
    }.items():  # fmt: skip
        page.locator(f"[name={name}]").fill(value)
    for n, name in ((1, "Otis"), (2, "Admiral")):
        page.get_by_role("button", name="One more animal").click()
        page.locator(f"[name=a{n}_name]").fill(name)
    press(page, "Save order")
    walk.order = page.url.split("?")[0]
    for name in ("Juniper", "Otis", "Admiral"):
        link = page.locator(".next .name a", has_text=name).get_attribute("href")
        walk.models[name] = str(link).rsplit("/", 1)[1]


def whose_is_which(walk: Walk, many: int) -> None:
    """Juniper's by the keyboard alone, the others' as the camera's clock parts them."""
    page, keys = walk.page, walk.page.keyboard
    page.locator("#here").get_by_role("link", name="Sort by animal").click()
    walk.look("sorting")
    letters, ticked = page.locator("#sorting .of"), page.locator("#sorting :checked")
    expect(letters).to_have_count(0)
    order_of_focus(page)
    keys.press("ArrowRight")
    expect(page.locator("#sorting [name=tick]").first).to_be_focused()
    for _ in range(many - 1):
        keys.press("Shift+ArrowRight")
    expect(ticked).to_have_count(many)
    assert focus_is_visible(page)
    keys.press("a")
    expect(letters).to_have_count(many)
    expect(letters.last).to_have_text("A")
    expect(ticked).to_have_count(0)
    rest = page.locator(".runs .row", has_text=" to ").filter(has_text="show")
    for place, name in ((1, "Otis"), (2, "Admiral")):
        open_part(page, "Assign differently …")
        rest.nth(place).get_by_role("button", name=name).click()
        expect(page.locator("#sorting [role=status]")).to_contain_text(f"3 assigned to {name}.")
    walk.look("sorted")
    press(page, "Count them in")


def order_of_focus(page: Page) -> None:
    """Tab comes to the suggestion, the giving, each picture in its order, then to counting."""
    met = []
    page.locator("h1").click()
    for _ in range(60):
        page.keyboard.press("Tab")
        assert focus_is_visible(page)
        met.append(
            page.evaluate(
                "() => { const e = document.activeElement; return e.name === 'tick' ? e.value"
                " : e.name || e.innerText.trim() }"
            )
        )
        if met[-1] == "Count them in":
            break
    shown = page.locator("#sorting [name=tick]").evaluate_all("all => all.map(e => e.value)")
    assert [one for one in met if one in shown] == shown
    places = [met.index(one) for one in ("give", "first", "also", shown[0], shown[-1], "leave")]
    assert places == sorted(places)
    page.locator("h1").click()


def checked(walk: Walk, many: str, name: str, verdict: str) -> None:
    """The worker has checked Juniper's set, and says so."""
    check = walk.page.locator("#check")
    expect(check).to_contain_text(f"{many} photos of Juniper are here.")
    await_check(walk, name)
    expect(check).to_contain_text(verdict)
    expect(check.locator(".graph svg")).to_be_visible()


def advice_of(walk: Walk) -> list[str]:
    """What the check would ask the customer for, a line each."""
    return walk.page.get_by_label("As the customer will read it").input_value().splitlines()


def name_the_machine(walk: Walk) -> None:
    """The studio's first machine, with one place."""
    walk.go("/builds")
    walk.page.get_by_label("New machine").fill("Kettle")
    press(walk.page, "Add machine")


def build(walk: Walk, name: str, stop: bool = False) -> None:
    """The set goes on the machine; it stops by itself and goes on again, or it ends."""
    page = walk.page
    walk.go("/builds")
    walk.look("queue")
    start = page.get_by_role("button", name=re.compile(f"Start {name}"))
    start.click()
    running = page.locator(".run:has(button[value=build_finished])", has_text=name)
    expect(running).to_contain_text("ends between")
    walk.look("running")
    if stop:
        running.get_by_role("button", name="Machine stopped").click()
        expect(page.locator(".queue .piece").first).to_contain_text(name)
        walk.look("stopped")
        start.click()
    running.get_by_role("button", name="Finished").click()
    expect(running).to_have_count(0)
    walk.look("finished")


def assess(walk: Walk, name: str) -> None:
    """From the builds' page, one click to the pictures; the model's own page leads there too."""
    to_pictures = f"/assess/{walk.models[name]}"
    expect(walk.page.get_by_role("link", name=name)).to_have_attribute("href", to_pictures)
    walk.go(f"/pieces/model/{walk.models[name]}")
    walk.look("to-assess")
    walk.page.get_by_role("link", name="Assess beside the photos").click()
    walk.look("assess")


def more_views(walk: Walk, advice: list[str]) -> list[str]:
    """Two clicks: the form stands filled with the check's advice. Gives what was asked."""
    page = walk.page
    page.locator("summary", has_text="Ask for more views").click()
    lines = page.locator("#more_views [name=view]")
    filled = [line.input_value() for line in lines.all()]
    assert [line for line in filled if line] == advice
    walk.look("more-views")
    press(page, "Ask for these views")
    walk.look("asked")
    return advice


def the_customer_reads(walk: Walk, asked: list[str]) -> None:
    """Page and letter show the same numbers, and say plainly that it is free of charge."""
    walk.go(walk.order)
    await_text(walk.page, walk.served, asked[0])
    link = walk.page.locator("#the-link").input_value()
    walk.look("order-asked")
    walk.go(f"{walk.order}/letters")
    letter = walk.page.locator("details pre.mail")
    walk.page.locator("summary", has_text="Preview: ").click()
    walk.look("letter")
    said = re.sub(r"\s+", " ", letter.inner_text())
    walk.go(link)
    walk.look("status-asked")
    page = walk.page.locator("ol", has_text=asked[0]).locator("li").all_inner_texts()
    assert page == asked
    for number, line in enumerate(asked, start=1):
        assert f"{number}. {line}" in said
    assert FREE in walk.page.inner_text("main")
    assert FREE in said


def with_limits(walk: Walk) -> None:
    """The gaps: what will be sculpted by eye, agreed how and when."""
    page = walk.page
    page.locator("summary", has_text="Good, with gaps").click()
    page.get_by_label("The gaps: what will be sculpted by eye").fill(
        "the belly, and the inside of both ears"
    )
    page.locator("#limits").get_by_label("Agreed with the customer").fill("by phone, 9 March")
    walk.look("limits")
    press(page, "Good, with these gaps")


def complete_marks(walk: Walk) -> None:
    """Beside the pictures: where, and on which side of the animal."""
    page = walk.page
    expect(page.locator("main")).to_contain_text("Sculpt by eye: the belly")
    expect(page.locator("main")).to_contain_text("agreed by phone, 9 March")
    expect(page.locator(".marks-list")).to_contain_text("side not asked")
    walk.look("good")
    page.get_by_role("link", name="Complete them beside the photos").click()
    form = page.locator("form[action$='/marks']")
    form.get_by_label("Side").first.select_option("right")
    form.get_by_label("Where").first.fill("behind the blade")
    form.get_by_label("Another marking").fill("white stocking")
    form.get_by_label("Side").last.select_option("left")
    press(page, "Save the markings")
    walk.look("marks")


def finish(walk: Walk) -> None:
    """On the model's own page, to ready."""
    page = walk.page
    walk.go(f"/pieces/model/{walk.models['Juniper']}")
    expect(page.locator(".marks-list")).to_contain_text(
        "scar on the shoulder, behind the blade right"
    )
    expect(page.locator(".marks-list")).not_to_contain_text("side not asked")
    press(page, "Start")
    walk.look("finishing")
    page.locator(".moves button", has_text="Done").click()
    page.get_by_label("Finish it anyway").check()
    press(page, "Done: to ready")
    expect(page.locator(".lead")).to_contain_text("Model ready")


def test_three_animals_from_a_link_to_a_finished_model(
    owner: Page, served: Served, tmp_path: Path
) -> None:
    walk = Walk(owner, served)
    owner.on("pageerror", lambda error: pytest.fail(str(error)))
    views = [view for view in ring(15) if not GAP[0] < view.azimuth < GAP[1]]
    first = card(tmp_path / "card", views, "10")
    for hour, three in (("11", ring(20)[:3]), ("12", ring(20)[3:6])):
        first += card(tmp_path / "card", three, hour)
    order_of_three(walk)
    told(walk, "link", len(first), "https://drop.example/a1", date.today() + timedelta(days=2))
    fetch(walk, first)
    whose_is_which(walk, len(views))
    checked(walk, "19", "check", "It’s doubtful whether these photos are usable.")
    advice = advice_of(walk)
    name_the_machine(walk)
    build(walk, "Juniper", stop=True)
    assess(walk, "Juniper")
    asked = more_views(walk, advice)
    the_customer_reads(walk, asked)
    missing = [view for view in ring(15) if GAP[0] < view.azimuth < GAP[1]]
    second = card(tmp_path / "second", missing, "15")
    told(walk, "mail", len(second))
    fetch(walk, second)
    owner.locator("#here").get_by_role("link", name="Sort by animal").click()
    walk.look("second-sorting")
    owner.get_by_role("button", name="All show Juniper").click()
    expect(owner.locator("#sorting [role=status]")).to_be_visible()
    press(owner, "Count them in")
    # What was asked for closed the ring.
    checked(walk, "24", "union", "These photos are usable.")
    build(walk, "Juniper")
    assess(walk, "Juniper")
    with_limits(walk)
    complete_marks(walk)
    finish(walk)


# ---------------------------------------------------------------- a remembered animal


def prints_of_the_remembered(walk: Walk, files: list[Path]) -> None:
    """An order of one animal that has died, and six prints that came by post, scanned."""
    page = walk.page
    walk.go("/orders/new")
    for name, value in {"name": "Imre Castellan", "a0_name": "Biscuit"}.items():
        page.locator(f"[name={name}]").fill(value)
    page.locator("[name=a0_life]").select_option("remembered")
    page.locator("[name=a0_sex]").select_option("male")
    press(page, "Save order")
    walk.order = page.url.split("?")[0]
    link = page.locator(".next .name a", has_text="Biscuit").get_attribute("href")
    walk.models["Biscuit"] = str(link).rsplit("/", 1)[1]
    told(walk, "prints", len(files))
    fetch(walk, files)
    page.locator("#here").get_by_role("link", name="Look through and count").click()
    walk.look("sorting")
    press(page, "Count them in")


def by_eye(walk: Walk) -> str:
    """What the check leaves to the eye is said, and judged so without a build."""
    page, check = walk.page, walk.page.locator("#check")
    await_check(walk, "check")
    expect(check).to_contain_text("the model is sculpted by eye")
    expect(check.get_by_role("button", name="Ask for these views")).to_have_count(0)
    said = check.locator("section", has_text="What to sculpt by eye").locator("li").first
    line = said.inner_text()
    assert "more views" not in page.inner_text("main")
    walk.go(f"/pieces/model/{walk.models['Biscuit']}")
    press(page, "Assess without a build")
    page.get_by_role("link", name="Assess beside the photos").click()
    assert "more views" not in page.inner_text("main")
    assert "new set" not in page.inner_text("main")
    page.locator("summary", has_text="Good, with gaps").click()
    expect(page.get_by_label("The gaps: what will be sculpted by eye")).to_have_value(
        re.compile(re.escape(line))
    )
    page.locator("#limits").get_by_label("Agreed with the customer").fill("by phone, 9 March")
    walk.look("limits")
    press(page, "Good, with these gaps")
    expect(page.locator(".lead")).to_contain_text("Model finishing")
    walk.look("good")
    return line


def test_a_remembered_animal_is_made_from_six_prints_and_asked_for_nothing_again(
    owner: Page, served: Served, tmp_path: Path
) -> None:
    walk = Walk(owner, served)
    prints_of_the_remembered(walk, card(tmp_path / "prints", ring(60), "09"))
    line = by_eye(walk)
    walk.go(walk.order)
    told_so = await_text(owner, served, "as agreed with you")
    assert line.rstrip(".") in told_so
    link = owner.locator("#the-link").input_value()
    walk.go(f"{walk.order}/letters")
    owner.locator("summary", has_text="Preview: ").click()
    letter = owner.locator("details pre.mail").inner_text()
    walk.look("letter")
    walk.go(link)
    walk.look("status")
    for said in (told_so, letter):
        assert CHEERFUL.search(said) is None, said
