"""How good the photo check is, by the studio's own record. Pure.

A set is what lay in the house when it was judged: the first set of a model is its pictures up to
the first judgement, the second those with the further views, and so on. What a build shows is the
truth: good, or asked again. A set that was asked again before any build was stopped, by the check
or by somebody's eye, and its truth is never seen.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from statistics import median

from app.flow.rules import Entry, Kind, effective
from app.flow.steps import ASKED_AGAIN, PASSED, MoveKey, Step
from app.leadtimes.rates import wilson
from app.shared.calendar import DAY
from app.shared.web import words

ENOUGH = 20
VERDICTS = ("will do", "doubtful", "will not do", "")
# What became of a set, in the order of the table's columns.
OUTCOMES = ("good", "limits", "asked", "by_eye", "stopped")
_NAMES = {
    "two_groups": "groups that don’t overlap", "falls_apart": "too little overlap",
    "missing_links": "some don’t overlap", "still_background": "background stays the same",
    "thin": "barely overlapping", "joined_late": "perhaps two animals",
    "held_by_few": "overlap hard to find", "turns_conflict": "sides too much alike",
    "gap": "views missing", "open_ring": "not all the way round", "mostly_flawed": "many blurred",
    "rest_falls_apart": "too few sharp ones", "mostly_noisy": "mostly grainy",
}  # fmt: skip
_GOOD = frozenset({"good", "limits"})
# From here on a record speaks against a threshold: most sets were good although it was passed.
_MOST, _TOO_MANY_FAIL = 0.5, 0.1


@dataclass(frozen=True, slots=True)
class Check:
    """A check that came to an end: when, what it said, and the codes of its reasons that count."""

    at: int
    verdict: str
    codes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Judged:
    """A set and what became of it.

    `number` is 1 for a model's first set; `outcome` is one of OUTCOMES; `check` is the last one
    before the set was built, or judged without a build.
    """

    model_id: int
    number: int
    outcome: str
    at: int
    check: Check | None = None

    @property
    def verdict(self) -> str:
        """What the check said; empty where there was none."""
        return self.check.verdict if self.check is not None else ""

    @property
    def good(self) -> bool | None:
        """Whether the pictures did; None where that was never seen."""
        if self.outcome in _GOOD:
            return True
        return False if self.outcome == "asked" else None


def judged_of(model_id: int, log: Sequence[Entry], checks: Sequence[Check]) -> list[Judged]:
    """The sets of a model in the order of their judgement, from its log and its checks."""
    found: list[Judged] = []
    since, built_at, was_built, passed = -1, None, False, False
    for entry in effective(log):
        if entry.kind is not Kind.MOVE:
            continue
        if entry.to_step is Step.BUILDING:
            built_at, passed = entry.happened_at, False
        elif entry.move in (MoveKey.BUILD_FINISHED, MoveKey.BUILD_FAILED):
            was_built = True
        elif entry.move in PASSED | ASKED_AGAIN:
            if passed and entry.move in ASKED_AGAIN and found:
                # Asked again at finishing: the same set, found wanting late.
                late = "asked" if found[-1].good else found[-1].outcome
                found[-1] = replace(found[-1], outcome=late, at=entry.happened_at)
                passed = False
                continue
            before = built_at if built_at is not None and was_built else entry.happened_at
            found.append(
                Judged(
                    model_id, len(found) + 1, _outcome(entry.move, built=was_built),
                    entry.happened_at, _last(checks, since, before),
                )
            )  # fmt: skip
            since, built_at, was_built = entry.happened_at, None, False
            passed = entry.move in PASSED
    return found


def _outcome(move: str, *, built: bool) -> str:
    if move in ASKED_AGAIN:
        return "asked" if built else "stopped"
    return move


def _last(checks: Sequence[Check], after: int, until: int) -> Check | None:
    own = [check for check in checks if after < check.at <= until and check.verdict]
    return max(own, key=lambda check: check.at) if own else None


def lost_days(log: Sequence[Entry]) -> float | None:
    """Days from the first asking again to the pictures' passing; None where neither happened."""
    asked = None
    for entry in effective(log):
        if entry.kind is not Kind.MOVE:
            continue
        if entry.move in ASKED_AGAIN and asked is None:
            asked = entry.happened_at
        elif entry.move in PASSED and asked is not None:
            return (entry.happened_at - asked) / DAY
    return None


# ---------------------------------------------------------------- shares


@dataclass(frozen=True, slots=True)
class Share:
    """So many of so many, in words that say no more than the number of cases allows."""

    hits: int
    of: int

    def __str__(self) -> str:
        if not self.of:
            return "nothing to count yet"
        if self.of < ENOUGH:
            return f"{self.hits} of {self.of}, too few for a share"
        low, high = wilson(self.hits, self.of)
        return (
            f"{self.hits / self.of:.0%} ({self.hits} of {self.of}), likely between {low:.0%} and "
            f"{high:.0%}"
        ).replace("%", " %")


def right(sets: Iterable[Judged]) -> Share:
    """How often a plain yes or no of the check was what the build showed."""
    plain = [s for s in sets if s.good is not None and s.verdict in ("will do", "will not do")]
    return Share(sum(s.good is (s.verdict == "will do") for s in plain), len(plain))


def first_time(sets: Iterable[Judged]) -> Share:
    """How many first sets did. One that was stopped did not; by eye says neither."""
    first = [s for s in sets if s.number == 1 and s.outcome != "by_eye"]
    return Share(sum(s.outcome in _GOOD for s in first), len(first))


@dataclass(frozen=True, slots=True)
class ByReason:
    """Sets for which the check gave a reason, and what the builds of them showed."""

    code: str
    sets: int
    stopped: int
    good: Share
    went_otherwise: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Month:
    """A month of judgements."""

    month: str
    sets: int
    asked: int
    first: Share
    right: Share


@dataclass(frozen=True, slots=True)
class CheckRecord:
    """Everything the page shows. `table` counts sets by verdict and outcome.

    `lost` and `lost_of` are the days lost to further sets and of how many models.
    """

    table: Mapping[str, Mapping[str, int]]
    checked: int
    unchecked: int
    right: Share
    first: Share
    reasons: Sequence[ByReason]
    months: Sequence[Month]
    lost: str
    advice: Sequence[str]
    doubtful: Share


def record(
    sets: Sequence[Judged], lost: Sequence[float], day_of: Callable[[int], date]
) -> CheckRecord:
    """The record of all sets judged; `lost` are days lost to further sets, one for each model."""
    table = {v: dict.fromkeys(OUTCOMES, 0) for v in VERDICTS}
    for one in sets:
        verdict = one.verdict if one.verdict in table else "will not do"
        table[verdict][one.outcome] += 1
    reasons = _by_reason(sets)
    doubtful = [s for s in sets if s.verdict == "doubtful" and s.good is not None]
    checked = sum(s.check is not None for s in sets)
    return CheckRecord(
        table=table,
        checked=checked,
        unchecked=len(sets) - checked,
        right=right(sets),
        first=first_time(sets),
        reasons=reasons,
        months=_months(sets, day_of),
        lost=_lost(lost),
        advice=_advice(sets, reasons),
        doubtful=Share(sum(s.good is True for s in doubtful), len(doubtful)),
    )


def _by_reason(sets: Sequence[Judged]) -> list[ByReason]:
    codes = {code for s in sets if s.check is not None for code in s.check.codes}
    found = []
    for code in codes:
        own = [s for s in sets if s.check is not None and code in s.check.codes]
        seen = [s for s in own if s.good is not None]
        good = [s for s in seen if s.good]
        found.append(
            ByReason(
                code, len(own), sum(s.outcome == "stopped" for s in own),
                Share(len(good), len(seen)),
                tuple(s.model_id for s in sorted(good, key=lambda s: -s.at)),
            )
        )  # fmt: skip
    return sorted(found, key=lambda one: (-one.sets, one.code))


def _months(sets: Sequence[Judged], day_of: Callable[[int], date]) -> list[Month]:
    by_month: dict[str, list[Judged]] = {}
    for one in sets:
        by_month.setdefault(day_of(one.at).isoformat()[:7], []).append(one)
    return [
        Month(
            month, len(own), sum(s.outcome in ("asked", "stopped") for s in own),
            first_time(own), right(own),
        )
        for month, own in sorted(by_month.items(), reverse=True)
    ]  # fmt: skip


def _lost(lost: Sequence[float]) -> str:
    if not lost:
        return "No model has needed a second set yet, so no days were lost to one."
    days = "days" if round(median(lost)) != 1 else "day"
    many = words.count(len(lost), "model")
    if len(lost) < ENOUGH:
        return (
            f"{words.capital(many)} needed a second set, which took between {round(min(lost))} and "
            f"{round(max(lost))} days from the request to a good one: too few for an average."
        )
    return (
        f"{words.capital(many)} needed a second set, which usually took {round(median(lost))} "
        f"{days} from the request to a good one, {round(sum(lost))} days in all."
    )


def _advice(sets: Sequence[Judged], reasons: Sequence[ByReason]) -> list[str]:
    """What the record says of the thresholds, in words; somebody decides."""
    said = []
    told_good = [s for s in sets if s.verdict == "will do" and s.good is not None]
    failed = sum(s.good is False for s in told_good)
    if len(told_good) >= ENOUGH and wilson(failed, len(told_good))[0] > _TOO_MANY_FAIL:
        said.append(
            f"Of {len(told_good)} sets that the check called usable, {failed} were not. It is too "
            "lenient for you: look at those sets before you change a threshold."
        )
    for one in reasons:
        if one.good.of >= ENOUGH and wilson(one.good.hits, one.good.of)[0] > _MOST:
            said.append(
                f"Of {one.good.of} sets built in spite of “{reason_words(one.code)}”, "
                f"{one.good.hits} were good. Its threshold may be stricter than you need."
            )
    enough = sum(s.good is not None and s.check is not None for s in sets)
    if not enough:
        return [
            "No checked set has been built and assessed yet, so there is nothing to say about "
            "thresholds."
        ]
    if enough < ENOUGH:
        return [
            f"{words.capital(words.count(enough, 'checked set'))} built and assessed so far: too "
            "few to say anything about thresholds."
        ]
    return said or ["Nothing here speaks for changing a threshold."]


def reason_words(code: str) -> str:
    """A reason in a few plain words, by its code."""
    return _NAMES.get(code, code.replace("_", " "))
