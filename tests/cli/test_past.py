import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from controller.bench.scenario import scenario
from controller.cli.demoyaml import demo_yaml
from controller.cli.group import main
from controller.core.orders import SaveFault, SaveLimits, SaveReference
from controller.edge.store import Store


@pytest.fixture
def config(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.delenv("ARCKEEPER_CONFIG", raising=False)
    path = tmp_path / "demo.yaml"
    text = demo_yaml(scenario("tussock-downs"), broker_port=9, state_dir=tmp_path / "dish")
    path.write_text(text)
    return path


def learn(config: Path) -> Path:
    path = config.parent / "dish" / "count.db"
    with Store(path) as store:
        store.write(SaveLimits(west_limit_pulses=1135))
        store.write(
            SaveReference(
                name="Heron", slot_deg=147.6, count_pulses=733, sigma_pulses=0.7, signal=13.0
            )
        )
        store.write(SaveFault(text="no pulse for 2 s", advice="look at the reed"))
        assert store.drain(5)
    return path


def call(config: Path, *words: str) -> Result:
    return CliRunner().invoke(main, [*words, "--config", str(config)])


def test_what_happened_is_told_in_lines_and_as_json(config: Path) -> None:
    learn(config)
    told = call(config, "history").output
    assert "Heron at 733 within 0.7" in told
    assert "no pulse for 2 s" in told
    assert "west limit at 1135" in told
    rows = json.loads(call(config, "history", "--json", "--kind", "fault").output)
    assert [(row["kind"], row["text"]) for row in rows] == [("fault", "no pulse for 2 s")]


def test_nothing_learned_yet_is_said_in_words(config: Path) -> None:
    for words in (("history",), ("export", "-")):
        result = call(config, *words)
        assert result.exit_code == 1
        assert "is not there yet" in result.stderr


def test_what_was_exported_comes_back(config: Path, tmp_path: Path) -> None:
    path = learn(config)
    copy = tmp_path / "copy.json"
    assert call(config, "export", str(copy)).exit_code == 0
    path.unlink()
    assert "tape measure alone" in call(config, "look").output
    taken = call(config, "import", str(copy), "--yes")
    assert taken.exit_code == 0, taken.output
    assert "references: Heron" in call(config, "look").output


def test_nothing_is_taken_in_beside_a_running_daemon(config: Path, tmp_path: Path) -> None:
    learn(config)
    copy = tmp_path / "copy.json"
    call(config, "export", str(copy))
    (config.parent / "dish" / "running.json").write_text('{"host": "127.0.0.1", "port": 9}')
    result = call(config, "import", str(copy), "--yes")
    assert result.exit_code == 1
    assert "stop it first" in result.stderr


@pytest.mark.parametrize("text", ["", "[]", "{", '{"format": "other"}', "[" * 100_000, "\x00"])
def test_what_is_no_export_changes_nothing(config: Path, tmp_path: Path, text: str) -> None:
    learn(config)
    before = call(config, "history", "--json").output
    bad = tmp_path / "bad.json"
    bad.write_text(text)
    result = call(config, "import", str(bad), "--yes")
    assert result.exit_code == 1
    assert "no export" in result.stderr
    assert call(config, "history", "--json").output == before
