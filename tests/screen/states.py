"""Cases stopped where the screen has something to show. Invented data."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from typical_case import Driver

from assistant.case.instrument_files import load_pluggers
from assistant.progress import intents as it
from assistant.progress.state import CaseState
from assistant.prompt.prompts import Prompt, Urgency
from assistant.prompt.wording import respond
from assistant.screen.port import Microphone
from assistant.sitting import assembly
from assistant.words.recognised import Recognised
from assistant.words.sayings import load_wording


@dataclass(frozen=True)
class Scene:
    """What the room has been told, under a name."""

    name: str
    state: CaseState
    prompts: tuple[Prompt, ...] = ()
    heard: Recognised | None = None
    meaning: str = "given"
    microphone: Microphone = Microphone.HEARS
    trouble: str = ""


def scenes() -> Iterator[Scene]:
    """One of every kind of page."""
    yield Scene("opening", Driver(demo=True).state, microphone=Microphone.OFF)
    yield _reference()
    yield _pluggers()
    yield _readings()
    yield from _downpack()
    yield _question()
    yield _molar()
    yield _backfill()
    yield _paused()
    yield from _changed()
    yield from _found()
    yield from _visits()
    yield from _beside()
    case = Driver(demo=True).set_up(24, "buccal", "palatal")
    case.canal(21.0, 2.5, 3.0)
    case.canal(20.5, 2.5, 2.5)
    yield Scene(
        "signed", case.finish().state, heard=Recognised("confirm", 0.93), meaning="command"
    )


def _to_downpack(post: str = "no") -> Driver:
    case = Driver(demo=True).set_up(24, "buccal", "palatal")
    case.canal_to_pluggers(21.0, post)
    case.canal_to_sear(21.0)
    return case


def _reference() -> Scene:
    case = Driver(demo=True).set_up(24, "buccal", "palatal")
    case.mm(21.0)
    read = (Prompt("Length 21.", Urgency.READ_BACK),)
    heard = Recognised("working length twenty one millimetres", 0.94)
    return Scene("reference", case.state, read, heard)


def _pluggers() -> Scene:
    case = Driver(demo=True).set_up(24, "buccal", "palatal")
    case.mm(21.0)
    case.choose("buccal_cusp", "no_reading")
    case.say("size", 30)
    case.say("taper", 0.06)
    case.choose("no")
    case.mm(10.0)
    case.choose("yes")
    case.cone(21.5)
    case.choose("yes", "accepted")
    case.mm(10.0, 13.0, 16.0)
    read = (Prompt("Apical plugger 16.", Urgency.READ_BACK),)
    return Scene("pluggers", case.state, read, Recognised("sixteen", 0.71))


def _readings() -> Scene:
    case = Driver(demo=True).set_up(24, "buccal", "palatal")
    case.canal_to_pluggers(21.0)
    case.choose("dry")
    case.mm(21.0, 21.2, 21.1)
    case.mm(21.0)
    read = (Prompt("Apex locator 21.", Urgency.READ_BACK),)
    return Scene("final-length", case.state, read, Recognised("apex locator twenty one", 0.9))


def _downpack() -> Iterator[Scene]:
    case = _to_downpack()
    yield Scene("heat-ready", case.state, heard=Recognised("sear ten", 0.88))
    case.command("start")
    yield Scene("heat-on", case.state, heard=Recognised("heat on", 0.97), meaning="command")
    case.command("stop", after_s=3.0)
    case.mm(13.5, 17.0)
    warned = (
        Prompt("Depth check: limit 16.1, heard 17.", Urgency.WARNING),
        Prompt("Say keep it, or correction and the value.", Urgency.QUESTION),
        Prompt("Plugger 17.", Urgency.READ_BACK),
    )
    yield Scene("too-deep", case.state, warned, Recognised("plugger seventeen", 0.91))
    case.correct("mm", 16.0)
    case.command("start")
    yield Scene("hold", case.state, heard=Recognised("press", 0.9), meaning="command")
    yield Scene(
        "microphone-dead",
        case.state,
        microphone=Microphone.DEAD,
        trouble="The microphone is gone; plug it in again. Typed lines still work.",
    )


def _question() -> Scene:
    case = _to_downpack()
    case.heat(3.0)
    heard = it.Heard(
        text="carrier thirteen point five", confidence=0.55, doubt="Not heard clearly."
    )
    case.do(it.Given(kind="mm", value=13.5, heard=heard))
    return Scene("question", case.state, heard=Recognised("carrier thirteen point five", 0.55))


def _molar() -> Scene:
    canals = ("mesiobuccal", "mesiolingual", "distobuccal", "distolingual")
    case = Driver(demo=True).set_up(46, *canals)
    case.canal(20.0, 2.5, 2.5)
    case.canal_to_pluggers(19.5)
    return Scene(
        "four-canals", case.state, heard=Recognised("(unclear)", 0.2), meaning="unclear"
    )


def _backfill() -> Scene:
    case = _to_downpack()
    case.downpack(21.0)
    case.mm(2.5)
    case.press()
    case.mm(2.0)
    return Scene("backfill", case.state, heard=Recognised("increment two", 0.83))


def _told(
    case: Driver, name: str, intent: it.AnyIntent, heard: str = "", meaning: str = "given"
) -> Scene:
    """The page after ``intent``, with everything that is said to it."""
    before, language = len(case.events), assembly.language()
    words = load_wording(language.folder, language.phrases)
    case.do(intent)
    prompts = tuple(respond(case.events[before:], case.state, words))
    return Scene(name, case.state, prompts, Recognised(heard, 0.92) if heard else None, meaning)


def _changed() -> Iterator[Scene]:
    """Canals found late, not there, joined and renamed: asked about, and done."""
    confirm = it.Command(verb="confirm")
    second = "second mesiobuccal"
    changes = (
        ("second canal found", it.Change(what="found", canal=second)),
        ("not there", it.Change(what="absent", canal="distobuccal", reason="calcified")),
        ("joins", it.Change(what="joins", canal=second, to="mesiobuccal", mm=17.0)),
        (
            "is another",
            it.Change(what="renamed", canal="palatal", to="mesiopalatal", reason="named wrong"),
        ),
    )
    case = Driver(demo=True).set_up(16, "mesiobuccal", "distobuccal", "palatal")
    case.canal_to_pluggers(20.0)
    for heard, change in changes:
        yield _told(case, f"{change.what}-asked", change, heard, "change")
        yield _told(case, change.what, confirm, "confirm", "command")


def _found() -> Iterator[Scene]:
    case = _to_downpack()
    case.downpack(21.0)
    void = it.Finding(finding="void")
    yield _told(case, "finding", void, "void", "finding")
    case.mm(4.0, 2.0)
    bled = it.Finding(finding="separated_instrument")
    yield _told(case, "finding-caution", bled, "separated instrument", "finding")


def _visits() -> Iterator[Scene]:
    case = _to_downpack()
    close = it.CloseVisit(dressing="calcium hydroxide, temporary filling", plan="downpack")
    yield _told(case, "closing", close, "close for today", "closevisit")
    yield _told(case, "closed", it.Command(verb="confirm"), "confirm", "command")
    since = it.Reopen(note="Nothing was lost.", since="2 days 3 hours since the last entry.")
    yield _told(case, "reopened", since)
    over = it.TakeOver(role="operator", name="Operator B")
    yield _told(case, "takeover", over, "operator b takes over", "takeover")


def _beside() -> Iterator[Scene]:
    case = _to_downpack()
    text = "buccal canal curved to the palatal in its last 4 mm; patient asked for a break"
    yield _told(case, "remark", it.Remark(text=text), f"remark {text}", "remark")
    case.heat(3.0)
    case.press()
    tray = load_pluggers("example")
    case.state = case.state.model_copy(update={"instruments": tray})
    case.mm(13.5)
    yield Scene("carrier", case.state, heard=Recognised("carrier thirteen point five", 0.9))
    case.mm(13.5)
    yield Scene("plugger", case.state, heard=Recognised("plugger thirteen point five", 0.9))


def _paused() -> Scene:
    case = _to_downpack()
    case.command("pause")
    return Scene("paused", case.state, heard=Recognised("pause", 0.95), meaning="command")
