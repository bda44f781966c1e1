"""What an opponent does to a store, and what of it is noticed, by which command.

    python tests/store/attacks.py --seed 1 --times 20

Each attack is tried so often, with other numbers drawn from the seed, on a copy of a store
of invented cases that the program itself signed, sealed and listed. Then the commands are
asked. "Noticed" is exit code 5. An attack of which the table below says that it is noticed,
and was not (or the other way round), fails the run.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import random
import shutil
import sys
import tempfile
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

import results
from click.testing import CliRunner, Result
from faults.table import as_text
from stored import KINDS, store_case

from assistant.case.casefile import JOURNAL, CaseFile
from assistant.commandline.anchoring import seal, write_out
from assistant.commandline.main import main as program
from assistant.record.chain import HEADER, Chain, make_line
from assistant.record.journal import read_journal
from assistant.store import index, signing
from assistant.store.audit import AUDIT

Event = dict[str, Any]
Attack = Callable[[random.Random, Path], None]
CASE, OTHER, WORK = "0001", "0002", "0003"


def made(cases: Path) -> None:
    """Two signed cases, sealed with a key as at their signature, and one in work; all
    listed. The key is not in the store."""
    cases.mkdir()
    signer = a_key(cases.with_name("key.json"))
    os.environ["FILLWARM_KEY"] = str(cases.with_name("key.json"))
    os.environ["FILLWARM_CASES"] = str(cases)
    for name, kind in ((CASE, "premolar"), (OTHER, "molar")):
        folder = store_case(cases, name, kind)
        now = KINDS[kind]().now()
        case = CaseFile.reopen(folder, now)
        seal(case, now, "signed", case.state.operator, signer)
        write_out(folder, case.state, case.head_hash, signer=signer)
        case.close()
    (store_case(cases, WORK, "warned") / "note.txt").unlink()
    done = fillwarm("cases")
    assert done.exit_code == 0, done.output


def a_key(path: Path) -> signing.Signer:
    """A new key, ready to sign."""
    words = "invented words"
    return signing.unlock(signing.make_key(path, "Practice (invented)", words), words)


def fillwarm(*args: object, text: str = "") -> Result:
    """A command of the program; a traceback ends the campaign."""
    done = CliRunner().invoke(program, [str(arg) for arg in args], input=text)
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done


# -- what an opponent does -----------------------------------------------------------


def events(path: Path) -> list[tuple[str, int, Event]]:
    """Time, place in the batch and payload of each entry of a journal."""
    lines = [json.loads(line) for line in path.read_text().splitlines()[1:]]
    return [(one["at"], one["batch_left"], one["event"]) for one in lines]


def rewrite(path: Path, every: list[tuple[str, int, Event]]) -> None:
    """Make the whole chain anew: it verifies. Seals name what is before them then."""
    raw, chain = make_line(Chain(), every[0][0], HEADER, 0)
    for at, left, event in every:
        if event.get("kind") == "head_sealed":
            event["seal"] |= {"lines": chain.seq - 1, "head": chain.head}
        line, chain = make_line(chain, at, event, left)
        raw += line
    path.write_bytes(raw)


def cut(rng: random.Random, cases: Path, name: str = CASE) -> None:
    """Take entries off the end, whole batches."""
    path = cases / name / JOURNAL
    every = events(path)
    ends = [place for place, (_, left, _) in enumerate(every[:-1], 1) if left == 0]
    rewrite(path, every[: rng.choice(ends)])


def other_depth(rng: random.Random, cases: Path) -> None:
    """One measured depth becomes another."""
    path = cases / CASE / JOURNAL
    every = events(path)
    depths = [e for _, _, e in every if isinstance(e.get("entry", {}).get("value"), float)]
    rng.choice(depths)["entry"]["value"] -= rng.choice([0.5, 1.0, 2.0])
    rewrite(path, every)


def other_signer(rng: random.Random, cases: Path) -> None:
    """Another name signs, from the first entry on."""
    path = cases / CASE / JOURNAL
    every = events(path)
    name = f"Operator {rng.choice('XYZ')}"
    for _, _, event in every:
        if "operator" in event:
            event["operator"] = name
    rewrite(path, every)


def back_dated(rng: random.Random, cases: Path) -> None:
    """Everything is some days earlier."""
    days = timedelta(days=rng.randrange(1, 400))

    def earlier(value: Any) -> Any:
        if isinstance(value, dict):
            return {k: earlier(v) for k, v in value.items()}
        if isinstance(value, list):
            return [earlier(v) for v in value]
        if isinstance(value, str) and value[4:5] == "-" and value[10:11] == "T":
            return (datetime.fromisoformat(value) - days).isoformat()
        return value

    path = cases / CASE / JOURNAL
    rewrite(path, [(earlier(at), left, earlier(event)) for at, left, event in events(path)])


def note_swapped(_: random.Random, cases: Path) -> None:
    """The note of another case."""
    shutil.copy(cases / OTHER / "note.txt", cases / CASE / "note.txt")


def note_edited(rng: random.Random, cases: Path) -> None:
    """One figure of the note; its hash stays."""
    path = cases / CASE / "note.txt"
    text = path.read_text()
    body = text.index("CANAL ")
    digits = [n for n, c in enumerate(text[body : body + 1500], body) if c in "2345678"]
    place = rng.choice(digits)
    path.write_text(text[:place] + str(int(text[place]) - 1) + text[place + 1 :])


def pdf_changed(rng: random.Random, cases: Path) -> None:
    """One bit of the note's PDF, somewhere in what stands on its pages."""
    path = cases / CASE / "note.pdf"
    raw = bytearray(path.read_bytes())
    raw[rng.randrange(100, len(raw) // 2)] ^= 1 << rng.randrange(8)
    path.write_bytes(raw)


def texts_gone(_: random.Random, cases: Path) -> None:
    """Of the reports only the PDF is left."""
    for name in ("note.txt", "record.json"):
        (cases / CASE / name).unlink()


def trail_cut(rng: random.Random, cases: Path) -> None:
    """Some entries off the end of the audit trail."""
    every = events(cases / AUDIT)
    rewrite(cases / AUDIT, every[: -rng.randrange(1, len(every))])


def trail_emptied(_: random.Random, cases: Path) -> None:
    """The audit trail keeps its first line only."""
    path = cases / AUDIT
    path.write_bytes(path.read_bytes().split(b"\n")[0] + b"\n")


def trail_gone(_: random.Random, cases: Path) -> None:
    """The audit trail is deleted."""
    (cases / AUDIT).unlink()


def index_gone(_: random.Random, cases: Path) -> None:
    """The index is deleted."""
    for path in cases.glob(f"{index.INDEX}*"):
        path.unlink()


def reports_gone(_: random.Random, cases: Path) -> None:
    """Note and record of the case are deleted."""
    for name in ("note.txt", "note.pdf", "record.json"):
        (cases / CASE / name).unlink()


def unsealed(_: random.Random, cases: Path) -> None:
    """The seals are taken out of every journal."""
    for name in (CASE, OTHER):
        path = cases / name / JOURNAL
        rewrite(path, [one for one in events(path) if one[2]["kind"] != "head_sealed"])


def key_replaced(rng: random.Random, cases: Path) -> None:
    """Another depth, and the seal signed again with a key of the opponent's own."""
    other_depth(rng, cases)
    path = cases / CASE / JOURNAL
    every = [one for one in events(path) if one[2]["kind"] != "head_sealed"]
    rewrite(path, every)
    lines = read_journal(path).entries
    signer = a_key(cases.parent / f"own-{rng.random()}.json")
    about = signing.payload(lines[0].line_hash, lines[-1].seq, lines[-1].line_hash, None, None)
    seal: Event = {"at": {"wall": every[-1][0], "mono_s": 0.0}, "trail_lines": None}
    seal |= {"trail_head": None, "jws": signing.sign(signer, about), "key": signer.key}
    seal |= {"by": signer.name, "lines": lines[-1].seq, "head": lines[-1].line_hash}
    rewrite(path, [*every, (every[-1][0], 0, {"kind": "head_sealed", "seal": seal})])


def others_unsealed(_: random.Random, cases: Path) -> None:
    """The seal is taken out of the other journal."""
    path = cases / OTHER / JOURNAL
    rewrite(path, [one for one in events(path) if one[2]["kind"] != "head_sealed"])


def others_reports_gone(_: random.Random, cases: Path) -> None:
    """Note and record of the other signed case are deleted."""
    for name in ("note.txt", "note.pdf", "record.json"):
        (cases / OTHER / name).unlink()


def removed(_: random.Random, cases: Path) -> None:
    """The folder of a signed case is deleted."""
    shutil.rmtree(cases / CASE)


def renamed(_: random.Random, cases: Path) -> None:
    """The folder gets another name."""
    (cases / CASE).rename(cases / "0009")


def names_swapped(_: random.Random, cases: Path) -> None:
    """Two cases get each other's folders."""
    (cases / CASE).rename(cases / "swap")
    (cases / OTHER).rename(cases / CASE)
    (cases / "swap").rename(cases / OTHER)


def replaced(_: random.Random, cases: Path) -> None:
    """Another case in the place of a signed one."""
    shutil.rmtree(cases / CASE)
    store_case(cases, CASE, "begun")


def all_of(*steps: Attack) -> Attack:
    """One after the other."""

    def attack(rng: random.Random, cases: Path) -> None:
        for step in steps:
            step(rng, cases)

    return attack


@dataclass(frozen=True)
class Tried:
    """An attack, whether it is to be noticed, and the case that is asked about."""

    what: str
    attack: Attack
    noticed: bool = True
    case: str = CASE


WITNESSES = (index_gone, trail_gone, reports_gone, others_reports_gone)
"""All that knows of a journal and lies in the store, seals aside."""

work_cut = partial(cut, name=WORK)

ATTACKS = (
    Tried("signed journal cut", cut),
    Tried("  and index deleted", all_of(cut, index_gone)),
    Tried("  and index, trail deleted", all_of(cut, index_gone, trail_gone)),
    Tried("journal in work cut", work_cut, case=WORK),
    Tried("  and index deleted", all_of(work_cut, index_gone), noticed=False, case=WORK),
    Tried("rewritten, another depth", other_depth),
    Tried("  and index deleted", all_of(other_depth, index_gone)),
    Tried("  and index, trail deleted", all_of(other_depth, index_gone, trail_gone)),
    Tried("  and all witnesses deleted", all_of(other_depth, *WITNESSES)),
    Tried("  and every seal taken out", all_of(other_depth, unsealed, *WITNESSES), False),
    Tried("key replaced", key_replaced),
    Tried("  and index, trail deleted", all_of(key_replaced, index_gone, trail_gone)),
    Tried(
        "  and all, other seals too", all_of(key_replaced, others_unsealed, *WITNESSES), False
    ),
    Tried("rewritten, another signer", other_signer),
    Tried("  and index deleted", all_of(other_signer, index_gone)),
    Tried("rewritten, back-dated", back_dated),
    Tried("  and index deleted", all_of(back_dated, index_gone)),
    Tried("note of another case", note_swapped),
    Tried("a figure in the note", note_edited),
    Tried("note.pdf changed", pdf_changed),
    Tried(
        "  and seals, all else gone",
        all_of(pdf_changed, unsealed, index_gone, trail_gone, texts_gone, others_reports_gone),
    ),
    Tried("audit trail cut", trail_cut),
    Tried("audit trail emptied", trail_emptied),
    Tried("audit trail deleted", trail_gone),
    Tried("  and index deleted", all_of(trail_gone, index_gone)),
    Tried("signed case deleted", removed),
    Tried("  and index deleted", all_of(removed, index_gone)),
    Tried("another case in its place", replaced),
    Tried("case renamed", renamed, noticed=False, case="0009"),
    Tried("names of two cases swapped", names_swapped, noticed=False),
)


# -- what the program says to it -------------------------------------------------------


def asked(cases: Path, case: str, *, sitting: bool) -> dict[str, bool]:
    """Which commands end with exit code 5. Those that could change the store come last."""
    out = cases.parent / "out.json"
    said = {
        "verify": fillwarm("verify", cases / case),
        "cases": fillwarm("cases", "--refresh"),
        "audit": fillwarm("audit"),
        "export": fillwarm("export", cases / case, "--format", "json", "--out", out),
    }
    if sitting:
        said["run"] = fillwarm("run", "--typed", "--silent", "--case", cases / case)
        said["note"] = fillwarm("note", cases / case)
    out.unlink(missing_ok=True)
    key = signing.key_file(Path(os.environ["FILLWARM_KEY"]))
    assert key is not None
    said["--key"] = fillwarm("verify", cases / case, "--key", key.key)
    return {name: one.exit_code == 5 for name, one in said.items()}


def tried(one: Tried, origin: Path, seed: int, times: int) -> dict[str, object]:
    """One row: how often each command noticed."""
    rows = []
    for number in range(times):
        cases = origin.with_name("cases")
        shutil.copytree(origin, cases)
        os.environ["FILLWARM_CASES"] = str(cases)
        one.attack(random.Random(f"{seed} {one.what} {number}"), cases)
        rows.append(asked(cases, one.case, sitting=number == 0))
        shutil.rmtree(cases)
    noticed = sum(any(said for by, said in row.items() if by != "--key") for row in rows)
    by = {name: sum(row.get(name, False) for row in rows) for name in rows[0]}
    wrong = times - noticed if one.noticed else noticed
    return {"attack": one.what, "n": times, "noticed": noticed, "unexpected": wrong, **by}


# -- hostile back-ups --------------------------------------------------------------------

NAMES = {
    "case named as a file of the store": (
        "cases/audit.jsonl/journal.jsonl",
        "cases/index.sqlite/journal.jsonl",
        "cases/names.key.json/journal.jsonl",
        "cases/Audit.JSONL/journal.jsonl",
    ),
    "name that leaves the store": (
        "../evil",
        "cases/../../evil",
        "/evil",
        "cases/a/../../evil",
    ),
    "one name for two things": (
        "cases/0001/note.txt/x",
        "cases/0001/NOTE.TXT",
        "audit.jsonl/x",
    ),
    "hidden or turned letters": (
        "cases/00\u200b01/journal.jsonl",
        "cases/\u202e1/journal.jsonl",
    ),
}


def hostile(origin: Path, seed: int, times: int) -> list[dict[str, object]]:
    """A row for each kind: restored into an empty store; refused, and nothing written?"""
    good, store = origin.with_name("good.zip"), origin.with_name("empty")
    os.environ["FILLWARM_CASES"] = str(origin)
    assert fillwarm("backup", good).exit_code == 0
    os.environ["FILLWARM_CASES"] = str(store)
    rows: list[dict[str, object]] = []
    for what, names in {**NAMES, "a journal cut, its manifest made to fit": ("",)}.items():
        refused = 0
        for number in range(times):
            rng = random.Random(f"{seed} {what} {number}")
            bad = origin.with_name("bad.zip")
            _rebuilt(good, bad, rng.choice(names), rng)
            done = fillwarm("restore", bad, "--yes")
            refused += done.exit_code in {3, 5} and not any(store.glob("*"))
            shutil.rmtree(store, ignore_errors=True)
        rows.append({"restored": what, "n": times, "refused, nothing written": refused})
    return rows


def _rebuilt(good: Path, bad: Path, name: str, rng: random.Random) -> None:
    """The back-up with one more member in its manifest, or with a shorter journal."""
    with zipfile.ZipFile(good) as old, zipfile.ZipFile(bad, "w", zipfile.ZIP_DEFLATED) as new:
        held = {one: old.read(one) for one in old.namelist()}
        manifest = json.loads(held["manifest.json"])
        journal = f"cases/{CASE}/{JOURNAL}"
        if name:
            held[name] = held[journal]
            manifest["members"][name] = manifest["members"][journal]
            folder = name.split("/")[1] if name.endswith(JOURNAL) else CASE
            manifest["cases"].setdefault(folder, manifest["cases"][CASE])
        else:
            lines = held[journal].splitlines(keepends=True)
            held[journal] = b"".join(lines[: -rng.randrange(1, 9)])
            told = {"sha256": hashlib.sha256(held[journal]).hexdigest()}
            manifest["members"][journal] = told | {"size": len(held[journal])}
        held["manifest.json"] = json.dumps(manifest).encode()
        for one, data in held.items():
            new.writestr(one, data)


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n\n")[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--times", type=int, default=20)
    parser.add_argument("--results", action="store_true", help=results.HELP)
    given = parser.parse_args()
    with (
        results.kept(__file__, "An opponent", wanted=given.results),
        tempfile.TemporaryDirectory() as folder,
    ):
        origin = Path(folder) / "origin"
        made(origin)
        rows = [tried(one, origin, given.seed, given.times) for one in ATTACKS]
        print(as_text(rows))
        print("Under each command: how often it ended with exit code 5. A sitting takes")
        print("seconds to begin, so run and note are asked once an attack. --key is verify")
        print(
            "told the key it must be; it is not counted as noticed, as somebody must know it."
        )
        archives = hostile(origin, given.seed, given.times)
        print(f"\n{as_text(archives)}")
        wrong = [row["restored"] for row in archives if list(row.values())[2] != given.times]
        wrong += [str(row["attack"]).strip() for row in rows if row["unexpected"]]
        if wrong:
            raise SystemExit(f"Not as expected: {', '.join(map(str, wrong))}")


if __name__ == "__main__":
    main()
