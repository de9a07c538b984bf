import pytest

from tests.campaigns.mutation import mutants


@pytest.mark.parametrize(
    ("source", "expected"),
    [
        ("a < b", ["a <= b"]),
        ("a <= b < c", ["a < b < c", "a <= b <= c"]),
        ("a + b * c", ["a - b * c", "b / c"]),
        ("a and b", ["a or b"]),
        ("x = -a", ["+a"]),
        ("x = True", ["False"]),
        ("x = 7", ["8"]),
        ("if a: b", ["not a"]),
        ("x: 'a < b' = 7", ["8"]),
        ("@d(frozen=True)\nclass A: pass", []),
        ("if TYPE_CHECKING:\n    a < b", []),
        ("'a text'", []),
    ],
)
def test_every_place_is_broken_once(source: str, expected: list[str]) -> None:
    assert [mutant.becomes for mutant in mutants(source, "here.py")] == expected


def test_a_mutant_really_runs_otherwise() -> None:
    first = next(mutants("answer = 2 > x", "here.py"))
    names: dict[str, object] = {"x": 2}
    exec(first.code, names)
    assert names["answer"] is True
