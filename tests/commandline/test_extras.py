"""The core without its extras: what works, and what is said where one is missing."""

from __future__ import annotations

import os
import subprocess
import sys
import tomllib
from importlib import metadata
from pathlib import Path

import pytest
from click.testing import CliRunner
from pypdf import PdfReader
from saved_case import saved, whole
from typical_case import two_canals

from assistant import extras
from assistant.commandline.main import main
from assistant.exchange.fhir import bundle_text

PROJECT = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text())["project"]

LEFT_OUT = {"matplotlib", "scipy", "fhir", "cryptography", "starlette", "uvicorn"}

WITHOUT = f"""
import sys
for name in {sorted(LEFT_OUT)}:
    sys.modules[name] = None
from assistant import extras
extras.installed = lambda extra: False
from assistant.commandline.main import main
main(prog_name="fillwarm")
"""
"""``fillwarm`` where the extras cannot be imported."""


def without_extras(*given: str, typed: str = "") -> str:
    done = subprocess.run(
        [sys.executable, "-c", WITHOUT, *given],
        input=typed,
        capture_output=True,
        text=True,
        check=False,
        env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])},
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_the_core_works_a_case_and_reports_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FILLWARM_CASES", str(tmp_path))
    folder = str(tmp_path / "case")
    without_extras("run", "--typed", "--silent", "--case", folder, typed="tooth 11\nsingle\n")
    assert "2 entries" in without_extras("verify", folder)
    for command in (("note", folder), ("review", folder), ("review", "--all"), ("cases",)):
        without_extras(*command)
    assert (tmp_path / "case" / "note.pdf").read_bytes().startswith(b"%PDF")


def test_what_is_computed_is_told_in_words_where_pictures_cannot_be_made(
    tmp_path: Path,
) -> None:
    folder = saved(two_canals(demo=True), tmp_path / "case")
    without_extras("note", str(folder))
    pages = [page.extract_text() for page in PdfReader(folder / "computed.pdf").pages]
    assert len(pages) == 2
    for page in pages:
        told = " ".join(page.split())
        assert told.startswith("INVENTED DEMONSTRATION DATA")
        assert "Canal: 0.30 mm at the working length" in told
        assert "not measured" in told
        assert "pip install '.[pictures]'" in told


@pytest.fixture
def nothing_installed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(extras, "installed", lambda _: False)


@pytest.mark.usefixtures("nothing_installed")
@pytest.mark.parametrize(
    ("extra", "command"),
    [
        ("pictures", "review {case} --out {out}.pdf"),
        ("pictures", "practice-history --plot {out}.png"),
        ("exchange", "check-record {bundle}"),
        ("names", "name show {case}"),
        ("screen", "run --typed --screen --case {out}"),
    ],
)
def test_a_missing_extra_is_told_in_one_sentence(
    extra: str, command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FILLWARM_PRACTICE", str(tmp_path / "practice"))
    case = saved(two_canals(), tmp_path / "case")
    given = tmp_path / "bundle.json"
    given.write_text(bundle_text(whole(two_canals())))
    words = command.format(case=case, out=tmp_path / "out", bundle=given).split()
    done = CliRunner().invoke(main, words)
    assert done.exit_code == 4, done.output
    assert f"pip install '.[{extra}]'." in done.stderr
    assert done.stderr.count("\n") == 1
    assert not list(tmp_path.glob("out*"))


def test_the_table_of_extras_is_that_of_the_project() -> None:
    declared = PROJECT["optional-dependencies"]
    for extra, modules in extras.EXTRAS.items():
        wanted = {one.split(">")[0].replace("-", "_") for one in declared[extra]}
        provided = metadata.packages_distributions()
        given = {name.replace("-", "_") for m in modules for name in provided[m]}
        assert wanted <= given | {"fhir.resources"}, extra
        assert extras.installed(extra), "dev installs them all"
    assert extras.need("pictures", "A test") is None  # type: ignore[func-returns-value]
