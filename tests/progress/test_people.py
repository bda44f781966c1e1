"""Who operates, who assists, who takes over, and who signs for whom."""

from __future__ import annotations

import pytest
from room import Room, at_the_end, front_tooth
from typical_case import HEAD

from assistant.exchange.tables import rows
from assistant.progress import intents as it
from assistant.progress.apply import replay
from assistant.progress.entries import Seal
from assistant.progress.people import operators, signer
from assistant.report.note import note
from assistant.report.note_text import as_text
from assistant.report.record import as_record

pytestmark = pytest.mark.core


def taken_over(room: Room, name: str, role: str = "operator") -> Room:
    room.do(it.TakeOver.model_validate({"role": role, "name": name}))
    return room


def text_of(room: Room) -> str:
    return " ".join(as_text(note(room.state, HEAD)).split())


def test_who_takes_over_operates_and_is_told() -> None:
    room = taken_over(front_tooth(), "operator b")
    assert room.said == "Operator B operates from here."
    room.mm(22.0)
    entry = room.state.entries[-1]
    assert (entry.by, entry.role) == ("Operator B", "operator")
    assert operators(room.state) == ("Operator A", "Operator B")
    assert "Operator: Operator A until" in text_of(room)


def test_a_letter_means_whom_the_start_named() -> None:
    room = front_tooth()
    room.state = room.state.model_copy(update={"people": ("Ann", "Bo")})
    taken_over(room, "operator b")
    assert room.state.operator == "Bo"
    taken_over(room, "operator a")
    assert room.state.operator == "Ann"
    taken_over(room, "operator c")
    assert room.state.operator == "Operator C"


def test_entries_of_both_operators_are_not_the_assistants() -> None:
    room = front_tooth()
    room.mm(22.0)
    taken_over(room, "Dr Invented")
    taken_over(room, "Cleo", "chairside")
    room.do(it.WhoSpeaks(who="chairside"))
    room.choose("incisal_edge")
    assert room.state.entries[-1].by == "Cleo"
    roles = [row["by_role"] for row in rows(as_record(room.state, HEAD), "entries")]
    assert roles == ["operator"] * (len(roles) - 1) + ["chairside"]


@pytest.mark.parametrize(("name", "taken"), [("x" * 64, True), ("x" * 65, False), (" ", False)])
def test_a_name_stands_on_one_line(name: str, taken: bool) -> None:
    room = taken_over(front_tooth(), name)
    assert (room.refused != "nobody_named") is taken
    assert bool(room.state.takeovers) is taken


def test_the_signature_says_for_whom() -> None:
    room = taken_over(at_the_end(), "operator b")
    room.command("sign")
    assert "Operator B signs, for Operator A too." in room.said
    room.command("confirm")
    assert signer(room.state) == "Operator B"
    assert "Signed by Operator B for the work of Operator B and Operator A at" in text_of(room)
    told = as_record(room.state, HEAD)
    assert (told["signed_by"], told["signed_for"]) == ("Operator B", ["Operator A"])


def test_somebody_else_who_signs_is_said_not_to_have_operated() -> None:
    room = at_the_end()
    room.do(it.SignAs(name="Dr Invented"))
    room.command("confirm")
    assert "Dr Invented, who did not operate, for the work of Operator A at" in text_of(room)


def test_a_takeover_ends_the_question_about_the_signature() -> None:
    room = at_the_end()
    room.command("sign")
    taken_over(room, "operator b")
    room.command("confirm")
    assert room.state.signed is None


def test_a_takeover_is_replayed() -> None:
    room = taken_over(front_tooth(), "operator b")
    assert replay(room.events) == room.state


@pytest.mark.parametrize(
    ("of_key", "told"),
    [
        ("Practice (invented)", True),
        ("operator  a", False),
        ("CN=Operator A,O=Practice (invented)", False),
    ],
)
def test_a_key_of_another_name_than_who_signed_is_told(of_key: str, told: bool) -> None:
    room = at_the_end()
    room.command("sign", "confirm")
    seal = Seal(at=room.now(), lines=1, head=HEAD, jws="invented", key="k", by=of_key)
    room.state = room.state.model_copy(update={"seals": (seal,)})
    assert ("THE KEY IS OF ANOTHER NAME than who signed, Operator A" in text_of(room)) is told
