"""What a scanner's search means, and the days of a search."""

from __future__ import annotations

from platelink.web.records import bands, limits_of, moment_of, one_hit, steps_of
from platelink.web.show import own_path


def rows(*ids: str) -> list[str]:
    return list(ids)


def test_the_exact_name_wins_then_the_only_hit() -> None:
    assert one_hit(rows("P-1", "P-10", "P-11"), "p-1") == "P-1"
    assert one_hit(rows("P-10"), "job 7") == "P-10"
    assert one_hit(rows("P-10", "P-11"), "P-1") is None
    assert one_hit(rows("P-10"), "") is None
    assert one_hit([], "P-1") is None


def test_days_are_whole() -> None:
    first, last = moment_of("2026-03-02"), moment_of("2026-03-02", end=True)
    assert first is not None and first.startswith("2026-03-02T00:00:00")
    assert last is not None and last.startswith("2026-03-03T00:00:00")
    for nonsense in ("", "soon", "9999-12-31x"):
        assert moment_of(nonsense) is None
    assert moment_of("9999-12-31", end=True) is None


def test_bands_of_a_run() -> None:
    contact = {"low_kpa": 56.0, "high_kpa": 89.0}
    assert limits_of({}, bands({"contact": contact})) == {"contact": "56.0,89.0"}
    assert limits_of({"contact": False}, None) == {}
    assert limits_of({"low_c": 55.0, "high_c": 61.0}, None) == {"oven": "55.0,61.0"}
    recipe = {"step": [{"name": "dry", "kind": "bake"}]}
    assert steps_of({"recipe": recipe}) == {"dry": bands({"name": "dry", "kind": "bake"})}
    assert steps_of({"recipe": "plate-a@2"}) == {}


def test_only_paths_of_the_page_are_gone_back_to() -> None:
    assert own_path("/plates?x=1") == "/plates?x=1"
    for foreign in ("//evil.example", "https://evil.example", "/\\evil.example", "", "x", "/\n"):
        assert own_path(foreign) == "/"
