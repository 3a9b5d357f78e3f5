"""The judgement, on facts made by hand."""

from dataclasses import replace

import numpy as np
import pytest

from app.photos.check.answer import answer, as_json
from app.photos.check.facts import GraphShape, PictureFacts, Ring, SetFacts
from app.photos.check.flaws import change_at, flaws, other_zoom, signs_of_copy
from app.photos.check.rules import ORDER, Aspect, Judgement, Verdict, heights, judge
from app.photos.check.thresholds import Thresholds
from app.photos.check.wording import ADVICE, BY_EYE, CANNOT_TELL, REASONS, advise, reason_text

T = Thresholds()
SHARP = PictureFacts(
    "a.jpg", width=4000, height=3000, format="JPEG", taken="2025:05:04 10:11:12", focal=4.2,
    focal_35=26, quality=92, camera=True, edge_blur=0.8, reblur=0.3, luminance=120, bright_end=220,
)  # fmt: skip


def pictures(count: int, **changes: object) -> tuple[PictureFacts, ...]:
    return tuple(replace(SHARP, name=f"{k:02}.jpg", **changes) for k in range(count))  # type: ignore[arg-type]


def whole(count: int, strength: float = 100.0) -> GraphShape:
    everything = tuple(range(count))
    return GraphShape(count, 1.0, everything, (everything,), strength=strength)


def ring(count: int, gap: float = 12.0, closed: bool = True, level: float = 10.0) -> Ring:
    step = (360 - gap) / (count - 1)
    return Ring(
        {k: step * k for k in range(count)}, dict.fromkeys(range(count), level), gap,
        (count - 1, 0), step, 0.05, closed,
    )  # fmt: skip


def good(count: int = 36, **changes: object) -> SetFacts:
    facts = SetFacts(pictures(count), shape=whole(count), quick_share=1.0, ring=ring(count))
    return replace(facts, **changes)  # type: ignore[arg-type]


def codes(judgement: Judgement) -> list[str]:
    return [f.code for f in judgement.findings]


def test_a_good_ring_will_do_and_asks_for_nothing() -> None:
    judgement = judge(good(), T)
    assert judgement.verdict is Verdict.WILL_DO
    assert set(judgement.aspects.values()) == {Verdict.WILL_DO}
    assert advise(judgement) == ()


@pytest.mark.parametrize("count", [1, 5, 7])
def test_below_eight_pictures_nothing_holds(count: int) -> None:
    facts = SetFacts(pictures(count), shape=whole(count), quick_share=1.0)
    judgement = judge(facts, T)
    assert judgement.verdict is Verdict.WILL_NOT_DO
    assert codes(judgement)[0] == "too_few"


def test_eight_or_nine_that_hold_by_all_matches_are_doubtful_not_lost() -> None:
    assert judge(good(9), T).verdict is Verdict.DOUBTFUL
    better_alone = good(9, quick_share=0.3)
    assert judge(better_alone, T).verdict is Verdict.DOUBTFUL
    weakly = replace(better_alone, shape=whole(9, strength=40))
    assert judge(weakly, T).verdict is Verdict.WILL_NOT_DO


def test_bark_and_fur_that_only_the_better_features_hold_firmly_will_do() -> None:
    assert judge(good(24, quick_share=0.0), T).verdict is Verdict.WILL_DO
    weakly = judge(good(24, quick_share=0.0, shape=whole(24, strength=40)), T)
    assert weakly.verdict is Verdict.DOUBTFUL
    assert codes(weakly)[0] == "held_by_few"


def test_pictures_from_one_side_are_said_to_be_that_and_no_gap_between_two() -> None:
    judgement = judge(good(9, ring=ring(9, gap=340, closed=False)), T)
    assert "gap" not in codes(judgement)
    side = next(f for f in judgement.findings if f.code == "one_side")
    assert reason_text(side).endswith("about 20 of 360 degrees.")
    assert side.values["more"] == 34


def test_copies_do_not_count() -> None:
    judgement = judge(good(20, copies=dict.fromkeys(range(6, 20), 0), shape=whole(6)), T)
    assert judgement.verdict is Verdict.WILL_NOT_DO
    assert {"too_few", "repeated"} <= set(codes(judgement))


@pytest.mark.parametrize(
    ("share", "verdict"),
    [
        (1.0, Verdict.WILL_DO),
        (0.9, Verdict.WILL_DO),
        (0.89, Verdict.DOUBTFUL),
        (0.65, Verdict.DOUBTFUL),
        (0.64, Verdict.WILL_NOT_DO),
    ],
)
def test_the_share_that_holds_decides(share: float, verdict: Verdict) -> None:
    core = tuple(range(round(share * 100)))
    rest = tuple(range(len(core), 100))
    shape = GraphShape(100, share, core, (core,), alone=rest, strength=90)
    assert judge(good(100, shape=shape), T).verdict is verdict


def test_two_large_groups_are_named_as_such() -> None:
    groups = (tuple(range(20)), tuple(range(20, 36)))
    shape = GraphShape(36, 20 / 36, groups[0], groups, strength=90)
    first = judge(good(36, shape=shape), T).findings[0]
    assert first.code == "two_groups"
    assert first.pictures == tuple(f"{k:02}.jpg" for k in range(20, 36))
    assert first.values["first"] == "19.jpg"


def test_a_gap_is_doubtful_and_says_how_many_from_where() -> None:
    judgement = judge(good(28, ring=ring(28, gap=92, closed=False)), T)
    assert judgement.verdict is Verdict.DOUBTFUL
    assert judgement.aspects[Aspect.ROUND] is Verdict.DOUBTFUL
    assert judgement.aspects[Aspect.HOLDS] is Verdict.WILL_DO
    line = advise(judgement)[0]
    assert "about 8 more" in line.text
    assert "27.jpg" in line.text
    assert "00.jpg" in line.text


def test_a_ring_that_does_not_close_is_doubtful_whatever_its_measured_gap() -> None:
    assert codes(judge(good(ring=ring(36, gap=20, closed=False)), T))[0] == "open_ring"


def test_no_ring_read_is_said_and_not_held_against_the_set() -> None:
    judgement = judge(good(ring=None), T)
    assert judgement.verdict is Verdict.WILL_DO
    assert judgement.aspects[Aspect.ROUND] is Verdict.CANNOT_TELL
    assert "sides" in judgement.cannot_tell


def test_blurred_pictures_are_named_and_left_out_where_the_rest_holds() -> None:
    blurred = replace(SHARP, name="02.jpg", edge_blur=3.0, reblur=0.6)
    some = (*pictures(36)[:2], blurred, *pictures(36)[3:])
    facts = good(pictures=some, rest=whole(35), rest_ring=ring(35))
    judgement = judge(facts, T)
    assert judgement.verdict is Verdict.WILL_DO
    assert judgement.findings[0].code == "flawed"
    assert judgement.findings[0].pictures == ("02.jpg",)
    without = replace(facts, rest=GraphShape(35, 0.7, tuple(range(24))))
    assert codes(judge(without, T))[0] == "rest_falls_apart"
    assert judge(without, T).verdict is Verdict.DOUBTFUL


def test_a_set_all_blurred_is_doubtful_and_past_all_detail_it_is_lost() -> None:
    assert (
        judge(good(pictures=pictures(36, edge_blur=2.5, reblur=0.6)), T).verdict is Verdict.DOUBTFUL
    )
    lost = judge(good(pictures=pictures(36, edge_blur=6.0, reblur=0.8)), T)
    assert lost.verdict is Verdict.WILL_NOT_DO
    assert codes(lost)[0] == "too_blurred"


@pytest.mark.parametrize("changes", [{"edge_blur": 2.5}, {"reblur": 0.6}])
def test_one_measure_alone_does_not_make_a_blur(changes: dict[str, float]) -> None:
    """A smooth coat has a high re-blur figure and steep outlines."""
    assert "blurred" not in flaws(pictures(1, **changes), T)[0]


def test_dark_pictures_are_doubtful() -> None:
    dark = pictures(36, luminance=18.0, bright_end=60.0, noise=9.0)
    assert codes(judge(good(pictures=dark), T))[:1] == ["mostly_dark"]


def test_small_pictures_are_doubtful_and_named_as_copies() -> None:
    small = pictures(36, width=640, height=480, quality=40.0, camera=False)
    judgement = judge(good(pictures=small), T)
    assert judgement.verdict is Verdict.DOUBTFUL
    assert {"mostly_small", "copied"} <= set(codes(judgement))
    assert [a.code for a in advise(judgement)].count("copied") == 0


@pytest.mark.parametrize(
    ("changes", "signs"),
    [
        ({}, 0),
        ({"name": "IMG-20250101-WA0007.jpg"}, 1),
        ({"name": "Screenshot_3.png"}, 1),
        ({"camera": False, "quality": 70.0, "width": 1600, "height": 1200}, 1),
        ({"camera": False, "format": "PNG", "width": 1080, "height": 2340}, 1),
        ({"camera": False}, 0),
    ],
)
def test_signs_of_a_copy(changes: dict[str, object], signs: int) -> None:
    assert len(signs_of_copy(replace(SHARP, **changes), T)) == signs  # type: ignore[arg-type]


def test_the_answer_names_signs_of_a_copy_by_the_thresholds_it_was_judged_by() -> None:
    facts = SetFacts((replace(SHARP, camera=False, quality=80.0),))
    for poor, signs in ((75.0, 0), (85.0, 1)):
        t = replace(T, version=f"{poor}", poor_jpeg=poor)
        said = as_json(answer(judge(facts, t), facts, t))
        assert said["thresholds_version"] == f"{poor}"
        assert len(said["pictures"][0]["signs_of_copy"]) == signs
        assert ("copied" in said["pictures"][0]["flaws"]) == bool(signs)


def test_another_zoom_is_named_and_harmless() -> None:
    mixed = tuple(replace(p, focal=8.4) if k % 3 == 0 else p for k, p in enumerate(pictures(36)))
    judgement = judge(good(pictures=mixed), T)
    assert judgement.verdict is Verdict.WILL_DO
    assert "other_zoom" in codes(judgement)
    assert other_zoom(pictures(5, focal=0.0), T) == ()


def test_a_lasting_change_of_light_is_found_where_it_is() -> None:
    rng = np.random.default_rng(8)
    series = rng.normal(-2, 0.1, 36)
    series[20:] -= 1.0
    assert change_at(series, 0.6) == 20
    assert change_at(rng.normal(-2, 0.1, 36), 0.6) is None
    assert change_at(np.linspace(-3, -1, 36), 0.6) is None


def test_heights_are_told_apart_by_clusters() -> None:
    level = {k: (0.0, 15.0, 35.0)[k % 3] + (k % 4) for k in range(36)}
    found = heights(replace(ring(36), height=level))
    assert found == pytest.approx([0, 15, 35], abs=5)
    assert heights(ring(36)) == [10]


def test_nothing_readable_says_so_and_nothing_else() -> None:
    judgement = judge(SetFacts((PictureFacts("a.txt", "not_a_picture"),)), T)
    assert judgement.verdict is Verdict.NOTHING_READABLE
    assert codes(judgement) == ["nothing_readable"]
    assert judge(SetFacts(()), T).verdict is Verdict.NOTHING_READABLE


def every_trouble() -> Judgement:
    groups = (tuple(range(12)), tuple(range(12, 24)))
    shape = GraphShape(24, 0.5, groups[0], groups, strength=10, thin=tuple(range(24)))
    bad = pictures(24, edge_blur=3.0, reblur=0.6, width=640, height=480)
    return judge(SetFacts(bad, shape=shape, ring=ring(24, 120, closed=False)), T)


def test_a_remembered_animal_is_never_asked_for_more_views() -> None:
    lines = advise(every_trouble(), remembered=True)
    assert len(lines) >= 3
    assert not any("please" in a.text.lower() or " more" in a.text.lower() for a in lines)
    assert all("We’ll" in a.text or "we’ll" in a.text for a in lines)
    for text in BY_EYE.values():
        assert "please" not in text.lower()
        assert "retake" not in text.lower()


def test_advice_is_numbered_short_and_asks_each_thing_once() -> None:
    lines = advise(every_trouble())
    assert [a.number for a in lines] == list(range(1, len(lines) + 1))
    assert len(lines) <= 6
    assert len({a.code for a in lines}) == len(lines)


def test_every_code_has_its_words() -> None:
    assert set(REASONS) == {*ORDER, "nothing_readable"}
    assert set(ADVICE) <= set(ORDER)
    assert set(BY_EYE) <= set(ORDER)
    told = judge(SetFacts(pictures(12, focal_35=0.0, taken="")), T).cannot_tell
    assert set(told) <= set(CANNOT_TELL)


def test_findings_come_heaviest_first() -> None:
    weights = [f.weight for f in every_trouble().findings]
    assert weights == sorted(weights, reverse=True)


def test_two_groups_that_only_a_closer_look_joins_are_doubtful() -> None:
    halves = (tuple(range(18)), tuple(range(18, 36)))
    judgement = judge(good(36, quick_share=0.5, quick_groups=halves), T)
    assert judgement.verdict is Verdict.DOUBTFUL
    assert codes(judgement)[0] == "joined_late"
    scattered = tuple(tuple(range(k, k + 3)) for k in range(0, 36, 3))
    assert judge(good(36, quick_share=0.1, quick_groups=scattered), T).verdict is Verdict.WILL_DO
