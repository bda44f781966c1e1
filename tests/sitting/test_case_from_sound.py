"""The main job from sound: the real front end, the real recogniser, several voices.

The voices are synthetic (flite). Real human speech goes through the
same audio path in ``test_listeners.py``.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from from_sound import LATERAL, heard, sit

from assistant.case.casefile import JOURNAL, CaseFile, read_case
from assistant.record.journal import read_journal
from assistant.report.write import write_reports
from assistant.sitting.rehearsal import Line, Operator
from assistant.sitting.session import Session

pytestmark = pytest.mark.sound

# Level of the operator is 2500 (RMS), so a room of 140 is about 25 dB below it.
QUIET, NOISY = 25.0, 140.0


def test_a_case_in_noise_is_heard_to_its_signature() -> None:
    """More voices and rooms: ``tests/hearing/campaign.py``, which CI samples."""
    session, operator = heard("flite:rms", NOISY)
    _signed_with_what_was_said(session, operator)


def test_a_case_heard_in_quiet_is_whole(tmp_path: Path) -> None:
    """One test, for another process would hear it all again."""
    session, operator = heard("flite:slt", QUIET)
    _signed_with_what_was_said(session, operator)
    _breach_correction_and_early_press_are_on_the_record(session)
    _measurements_were_read_back_aloud(session)
    _journal_alone_gives_the_same_case_and_reports(session, tmp_path)
    _stopped_anywhere_goes_on_at_the_same_step(session, tmp_path)


def _signed_with_what_was_said(session: Session, operator: Operator) -> None:
    state = session.case.state
    assert operator.failed is None
    assert state.signed is not None
    # What stands on the record is what was said, whatever had to be repeated.
    standing = {(e.quantity, e.value) for e in state.entries if e.standing == "standing"}
    assert {
        ("tooth", 11),
        ("canals", ("single",)),
        ("working_length_mm", 22.0),
        ("taper", 0.06),
        ("cone_size", 40),
        ("cone_length_mm", 22.0),
        ("apical_plugger_mm", 17.0),
        ("apex_locator_mm", 22.0),
        ("final_working_length_mm", 22.0),
        ("dryness", "dry"),
        ("cut_back_mm", 0.0),
        ("sear_depth_mm", 11.0),
        ("heat_depth_mm", 17.0),
        ("plugger_depth_mm", 17.0),
        ("press_s", 15.0),
        ("post_level_mm", 17.0),
    } <= standing


def _breach_correction_and_early_press_are_on_the_record(session: Session) -> None:
    state = session.case.state
    breach = next(w for w in state.warnings if w.rule == "depth-limit")
    assert breach.text == "Depth check: limit 17, heard 18."
    assert breach.answer is not None and "17" in breach.answer
    # The value that broke the limit is kept as it was said.
    eighteen = next(e for e in state.entries if e.value == 18.0)
    assert eighteen.standing == "replaced"
    early = next(e for e in state.entries if e.cut_short)
    assert early.quantity == "press_s"
    assert isinstance(early.value, float)
    assert 2.0 <= early.value <= 3.5
    assert next(w for w in state.warnings if w.rule == "press-short").answer == "repeated"
    # Both warnings were spoken to the end, and before what followed them.
    spoken = [u.prompt.text for u in session.mouth.spoken if u.fate == "heard"]
    assert breach.text in spoken
    assert spoken.index(breach.text) < spoken.index("Apical plugger 18.")


def _measurements_were_read_back_aloud(session: Session) -> None:
    measured = [
        e
        for e in session.case.state.entries
        if e.standing == "standing" and not isinstance(e.value, str)
    ]
    assert measured
    assert [e for e in measured if e.unheard] == []
    assert {e.origin for e in measured if not e.read_back} == {"timed"}


def _journal_alone_gives_the_same_case_and_reports(session: Session, tmp_path: Path) -> None:
    case = session.case
    state, head = read_case(case.folder)
    assert state == case.state
    assert head == case.head_hash
    written = write_reports(tmp_path, state, head)
    for path in written.values():
        assert path.stat().st_size > 0
    note = " ".join(written["note"].read_text(encoding="utf-8").split())
    assert "Depth check: limit 17, heard 18." in note


def _stopped_anywhere_goes_on_at_the_same_step(session: Session, tmp_path: Path) -> None:
    """Cut the finished journal after every batch: the case opens there again."""
    journal = session.case.folder / JOURNAL
    lines = journal.read_bytes().splitlines(keepends=True)
    entries = read_journal(journal).entries
    for entry in entries[::7]:
        if entry.batch_left:
            continue
        folder = tmp_path / f"cut-{entry.seq}"
        folder.mkdir()
        (folder / JOURNAL).write_bytes(b"".join(lines[: entry.seq + 1]))
        before, _ = read_case(folder)
        reopened = CaseFile.reopen(folder, session.clock.now())
        assert reopened.state.entries == before.entries
        # The clock of the delay is another one after a restart.
        tracks = tuple(t.model_copy(update={"heat_off": None}) for t in before.tracks)
        assert reopened.state.tracks == tracks
        assert reopened.state.active == before.active
        reopened.close()


def test_a_third_technique_is_heard_to_its_signature(tmp_path: Path) -> None:
    """Cold lateral compaction, which has no line of code of its own."""
    case = tmp_path / "case"
    session, operator = sit(case, "flite:slt", lines=LATERAL, protocol="cold-lateral")
    state = session.case.state
    assert operator.failed is None
    assert state.signed is not None
    standing = {(e.quantity, e.value) for e in state.entries if e.standing == "standing"}
    assert {
        ("spreader_fit_mm", 21.0),
        ("spreader_depth_mm", 20.0),
        ("spreader_hold_s", 10.0),
        ("accessory_size", 25),
        ("spreader_depth_mm", "canal_full"),
        ("cut_off_mm", 8.0),
    } <= standing
    breach = next(w for w in state.warnings if w.rule == "depth-limit")
    assert breach.text == "Depth check: limit 21, heard 22."
    assert breach.answer is not None
    _measurements_were_read_back_aloud(session)
    _journal_alone_gives_the_same_case_and_reports_lateral(session, tmp_path)
    session.case.close()


def _journal_alone_gives_the_same_case_and_reports_lateral(
    session: Session, tmp_path: Path
) -> None:
    state, head = read_case(session.case.folder)
    assert state == session.case.state
    for path in write_reports(tmp_path, state, head).values():
        assert path.stat().st_size > 0


def test_a_takeover_and_the_end_of_a_visit_are_heard(tmp_path: Path) -> None:
    told = (
        *("tooth one one", "single", "yes", "none", "working length twenty two"),
        *("operator b takes over", "taper point oh six", "instructions given"),
        *("close for today calcium hydroxide go on next time", "confirm"),
    )
    lines = tuple(Line(say=one) for one in told)
    session, operator = sit(tmp_path / "case", "flite:slt", lines=lines)
    state = session.case.state
    session.case.close()
    assert operator.failed is None
    assert state.operator == "Operator B"
    assert [n.text for n in state.conditions] == ["given"]
    (visit,) = state.visits
    assert (visit.signed_by, visit.dressing, visit.plan) == (
        "Operator B",
        "calcium hydroxide, temporary filling",
        "go on with the filling",
    )
