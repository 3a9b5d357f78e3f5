"""The invented studio's machines: what is on them at the end, and what was expected of them."""

import pytest

from tests.demo.invented import A_SUNDAY_NIGHT, A_TUESDAY, BETWEEN_THE_YEARS, invent, rows

NOW_ON = (
    "SELECT b.ends_by, b.ends_from, t.happened_at, m.machine, m.build_ends_at, k.name FROM models m"
    " JOIN builds b ON b.model_id = m.id JOIN machines k ON k.id = b.machine_id"
    " JOIN transitions t ON t.id = b.transition_id WHERE m.step = 'building'"
    " AND b.id = (SELECT max(id) FROM builds x WHERE x.model_id = m.id)"
)


def the_end(folder, now):
    on = rows(folder, NOW_ON)
    stopped = rows(
        folder,
        "SELECT m.step FROM models m WHERE m.step = 'photos_in' AND (SELECT move FROM transitions t"
        " WHERE t.model_id = m.id ORDER BY seq DESC LIMIT 1) = 'build_stopped'",
    )
    late = [run for run in on if run["ends_by"] < now]
    return on, late, stopped


def test_one_run_is_overdue_one_runs_and_one_was_stopped_by_its_machine(made):
    folder, _ = made
    on, late, stopped = the_end(folder, A_TUESDAY)
    assert (len(late), len(stopped)) == (1, 1)
    assert A_TUESDAY - late[0]["ends_by"] > 6 * 3_600
    assert len(on) > 1
    for run in on:
        assert run["machine"] == run["name"]
        assert run["build_ends_at"] == run["ends_by"]


@pytest.mark.parametrize("now", [A_SUNDAY_NIGHT, BETWEEN_THE_YEARS])
def test_on_any_day_something_is_overdue(tmp_path, now):
    folder, _ = invent(tmp_path, now)
    on, late, _ = the_end(folder, now)
    assert late
    assert on


def test_most_runs_ended_when_the_studio_could_expect_it(made):
    folder, _ = made
    ended = rows(
        folder,
        "SELECT b.ends_from, b.ends_by, t.happened_at AS at FROM builds b JOIN transitions t"
        " ON t.id = (SELECT min(x.id) FROM transitions x WHERE x.model_id = b.model_id"
        "  AND x.id > b.transition_id AND x.kind = 'move')"
        " WHERE t.move = 'build_finished' AND b.id > 60",
    )
    assert len(ended) > 300
    # One in ten is expected to end sooner, about one in seven later.
    late = sum(run["at"] > run["ends_by"] for run in ended) / len(ended)
    soon = sum(run["at"] < run["ends_from"] for run in ended) / len(ended)
    assert 0.08 < late < 0.23
    assert 0.05 < soon < 0.17


def test_two_sets_at_least_are_asked_again(made):
    folder, _ = made
    again = "SELECT pictures FROM models WHERE step = 'photos_wanted' AND attempts > 0 AND open = 1"
    assert {26, 19} <= {row["pictures"] for row in rows(folder, again)}
