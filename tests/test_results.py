"""The figures of a campaign go into their own section and leave the others alone."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest
import results

BEFORE = "# Results\n\nRead this.\n\n## One\n\nold\n\n## Two\n\nstays\n"


def test_what_is_printed_becomes_the_section(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["x.py", "--results", "--seed", "3"])
    script, file = tmp_path / "campaign.py", tmp_path / results.FILE
    file.write_text(BEFORE)

    def campaign() -> None:
        with results.kept(str(script), "One", wanted=True):
            print("new figures")
            sys.exit(1)

    with pytest.raises(SystemExit):
        campaign()
    assert capsys.readouterr().out == "new figures\n"
    told = file.read_text()
    assert told.startswith("# Results\n\nRead this.\n\n## One\n\n2")
    assert told.endswith("## Two\n\nstays\n")
    assert "old" not in told
    assert f"`tests/{tmp_path.name}/campaign.py --seed 3`" in told
    assert "```text\nnew figures\n```" in told
    with results.kept(str(script), "Three", wanted=True):
        print("more")
    assert file.read_text().endswith("```text\nmore\n```\n")


def test_nothing_is_written_unless_wanted_or_after_an_error(tmp_path: Path) -> None:
    (tmp_path / results.FILE).write_text(BEFORE)
    with results.kept(str(tmp_path / "a.py"), "One", wanted=False):
        print("not this")
    with (
        pytest.raises(ZeroDivisionError),
        results.kept(str(tmp_path / "a.py"), "One", wanted=True),
    ):
        print(1 / 0)
    assert (tmp_path / results.FILE).read_text() == BEFORE


@pytest.mark.parametrize(
    "folder", ["canal", "case", "faults", "fuzz", "hearing", "pace", "screen", "store"]
)
def test_every_campaign_has_its_results_beside_it(folder: str) -> None:
    beside = Path(__file__).parent / folder
    titles = {
        line.removeprefix("## ") for line in (beside / results.FILE).read_text().splitlines()
    }
    asked = [path for path in beside.glob("*.py") if "results.kept(" in path.read_text()]
    assert asked
    for path in asked:
        text = path.read_text()
        found = re.search(r'results\.kept\(\s*__file__,\s*f?"([^"{]*)', text)
        assert found is not None, path
        assert any(title.startswith(found[1]) for title in titles), (path, found[1])
