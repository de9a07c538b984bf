import pytest

from tests.benchmarks.look_angles import compare, main


def test_the_three_ways_that_are_timed_agree() -> None:
    result = compare(pairs=300, runs=1, rows=40)
    assert (result.pairs, result.rows) == (300, 40)
    assert result.worst_deg < 1e-4
    assert result.worst_m < 0.01
    assert result.times_vectorised > 0
    assert result.times_row_by_row > 0


def test_the_benchmark_prints_its_table_and_says_what_was_scaled(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["--pairs", "300", "--runs", "1", "--rows", "40"]) == 0
    printed = capsys.readouterr().out
    assert "300 pairs of site and slot, median of 1 runs" in printed
    assert "Row by row was measured on 40 pairs and scaled to 300." in printed
    for way in ("arckeeper look_angles", "pymap3d, arrays", "pymap3d, row by row"):
        assert way in printed
