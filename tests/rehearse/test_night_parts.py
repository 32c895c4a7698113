"""Parts of random nights: what was cut off continues, nothing counts twice, and the table is what was played."""

from __future__ import annotations

from pathlib import Path

from tests.rehearse.night_parts import play_part, saved, table_of
from tests.rehearse.nights import FaultResult, IncidentResult, NightResult


def played(seed: int) -> NightResult:
    """An even seed is a healthy night with a false alarm; an odd one has a fault, with a wrong cause in 3."""
    if seed % 2 == 0:
        return NightResult(seed, "show: nothing", True, (), (IncidentResult("flapping", "", False, None),), ("false",))
    is_right = seed != 3
    fault = FaultResult("main dead", "universe-lost", seed != 5, "right" if is_right else "wrong")
    incident = IncidentResult("universe-lost", "source-lost", True, is_right)
    return NightResult(seed, "show: main dies", False, (fault,), (incident,), ())


def test_a_part_that_was_cut_off_goes_on_where_it_ended(tmp_path: Path) -> None:
    part = play_part(tmp_path, range(1, 5), played)
    assert [next(part).seed, next(part).seed] == [1, 2]
    part.close()
    (path,) = tmp_path.glob("*.jsonl")
    path.write_bytes(path.read_bytes() + b'{"seed":3,"title":"sh')
    assert [one.seed for one in play_part(tmp_path, range(1, 5), played)] == [3, 4]
    assert sorted(one.seed for one in saved(tmp_path)) == [1, 2, 3, 4]
    assert list(play_part(tmp_path, range(1, 5), played)) == []


def test_nights_of_another_program_are_played_anew_and_counted_once(tmp_path: Path) -> None:
    list(play_part(tmp_path, (1,), played))
    for path in tmp_path.glob("*.jsonl"):
        (one,) = saved(tmp_path)
        path.write_bytes(path.read_bytes().replace(one.program.encode(), b"0123456789ab"))
    assert table_of(tmp_path).nights == 0
    assert [one.seed for one in play_part(tmp_path, (1,), played)] == [1]
    assert table_of(tmp_path).nights == 1


def test_the_table_counts_faults_causes_and_false_incidents(tmp_path: Path) -> None:
    list(play_part(tmp_path, range(1, 7), played))
    lines = list(table_of(tmp_path).lines())
    assert lines[:4] == [
        "6 nights, 3 of them without a fault that must be reported.",
        "Found 2 of 3 faults (66.7 %); cause right in 2 of 3 ",
        "(66.7 %); 3 of 6 incidents are false, ",
        "3 of them in nights without a fault.",
    ]
    assert "| universe-lost | main dead | 3 | 66.7 % | 2 of 3 |" in lines
    assert "| flapping | - | 3 | 0.0 % | - |" in lines
    assert "| universe-lost | source-lost | 3 | 100.0 % | 2 of 3 |" in lines
