"""The step machine of both protocols, walked by every answer and every fact."""

from __future__ import annotations

import pickle
import re
from collections.abc import Callable, Iterator
from itertools import product
from typing import Any

import pytest
from click.testing import CliRunner

from assistant.commandline.main import main
from assistant.files.shipped import data_folder
from assistant.files.yamlfile import load_yaml
from assistant.protocol.machine import machine, next_step
from assistant.protocol.model import FINISHED, STAY, Branch, Protocol, Step
from assistant.protocol.picture import mermaid

PROTOCOLS = [
    load_yaml(data_folder("protocols") / f"{name}.yaml", Protocol)
    for name in ("warm-vertical", "to-post-level")
]
PARTS = [
    pytest.param(protocol, part, id=f"{protocol.id} {name}")
    for protocol in PROTOCOLS
    for name, part in (
        ("opening", protocol.opening),
        ("canal", protocol.canal),
        ("closing", protocol.closing),
    )
]
EVERY_PART = pytest.mark.parametrize(("protocol", "part"), PARTS)

Holds = Callable[[Any], bool]


def circumstances(step: Step) -> Iterator[Holds]:
    """Every combination of the facts that the step's branches ask for."""
    names = sorted({branch.when for branch in step.next} - {"always"})
    for values in product((False, True), repeat=len(names)):
        known = dict(zip(names, values, strict=True)) | {"always": True}
        yield known.__getitem__


def answers(step: Step) -> list[str | None]:
    options: list[str | None] = [option.id for option in step.options]
    return options if step.expect.kind == "choice" else [None, *options]


def following(protocol: Protocol, step: Step) -> set[str]:
    """Wherever an answer can lead."""
    return {
        next_step(protocol, step, answer, holds)
        for answer in answers(step)
        for holds in circumstances(step)
    }


def reached(protocol: Protocol, start: Step) -> set[str]:
    found, fresh = {start.id}, [start.id]
    while fresh:
        new = following(protocol, protocol.by_id[fresh.pop()]) - found
        found |= new
        fresh += new - {FINISHED}
    return found


@EVERY_PART
def test_every_step_is_reached_from_the_first(
    protocol: Protocol, part: tuple[Step, ...]
) -> None:
    assert reached(protocol, part[0]) == {step.id for step in part} | {FINISHED}


@EVERY_PART
def test_the_end_is_reached_from_every_step(protocol: Protocol, part: tuple[Step, ...]) -> None:
    for step in part:
        assert FINISHED in reached(protocol, step), step.id


@EVERY_PART
def test_a_skip_leaves_its_step_whatever_the_facts(
    protocol: Protocol, part: tuple[Step, ...]
) -> None:
    for step in part:
        for holds in circumstances(step):
            assert next_step(protocol, step, None, holds, skip=True) != step.id


@EVERY_PART
def test_skipping_alone_comes_to_the_end(protocol: Protocol, part: tuple[Step, ...]) -> None:
    """With nothing known, as when everything is skipped: facts are false."""
    place, walked = part[0].id, 0
    while place != FINISHED:
        step = protocol.by_id[place]
        place = next_step(protocol, step, None, lambda fact: fact == "always", skip=True)
        walked += 1
        assert walked <= len(part)


@EVERY_PART
def test_an_option_leads_where_the_file_says(
    protocol: Protocol, part: tuple[Step, ...]
) -> None:
    for step in part:
        for option in step.options:
            if option.to is not None:
                wanted = step.id if option.to == STAY else option.to
                for holds in circumstances(step):
                    assert next_step(protocol, step, option.id, holds) == wanted


def test_readings_repeat_until_they_are_enough_and_agree() -> None:
    protocol = PROTOCOLS[0]
    step = protocol.by_id["paper_point"]
    for wanted, disagree in product((False, True), repeat=2):
        facts = {"readings_wanted": wanted, "readings_disagree": disagree}
        target = next_step(protocol, step, None, facts.__getitem__)
        assert target == ("paper_point" if wanted or disagree else "final_length")


def test_the_first_branch_that_holds_wins() -> None:
    protocol = PROTOCOLS[0]
    step = protocol.by_id["downpack_radiograph"]
    for post, target in ((True, "post_stop"), (False, "increment_press")):
        facts = {"post_planned": post, "always": True}
        assert next_step(protocol, step, "accepted", facts.__getitem__) == target


def test_a_branch_may_stay() -> None:
    protocol = PROTOCOLS[0]
    stay = Branch(when="readings_wanted", to=STAY)
    step = protocol.by_id["paper_point"].model_copy(update={"next": (stay,)})
    canal = tuple(step if s.id == step.id else s for s in protocol.canal)
    changed = protocol.model_copy(update={"canal": canal})
    assert next_step(changed, step, None, lambda _: True) == "paper_point"
    assert next_step(changed, step, None, lambda _: True, skip=True) == "final_length"


def test_deciding_leaves_no_trace_in_the_machine() -> None:
    protocol = PROTOCOLS[0]
    step = protocol.by_id["plugger_depth"]

    def short(fact: str) -> bool:
        return fact == "downpack_short"

    targets = [next_step(protocol, step, None, short) for _ in range(3)]
    assert targets == ["heat"] * 3
    assert next_step(protocol, step, None, lambda f: f == "downpack_complete") == (
        "downpack_radiograph"
    )


# -- the picture --------------------------------------------------------------------


@pytest.mark.parametrize("protocol", PROTOCOLS, ids=lambda protocol: protocol.id)
def test_the_picture_has_every_step_by_its_title_and_every_way_between(
    protocol: Protocol,
) -> None:
    lines = [line.strip() for line in mermaid(protocol).splitlines()]
    boxes = {
        match[2]: match[1]
        for line in lines
        if (match := re.fullmatch(r'state "([^"]*)" as step_(\w+)', line))
    }
    drawn = {
        (match[1], match[2])
        for line in lines
        if (match := re.match(r"step_(\w+) --> step_(\w+): \S", line))
    }
    for step in (*protocol.opening, *protocol.canal, *protocol.closing):
        assert boxes[step.id] == step.title
    for name, part in (
        ("opening", protocol.opening),
        ("canal", protocol.canal),
        ("closing", protocol.closing),
    ):
        end = f"the_{name}_is_done"
        wanted = {
            (step.id, end if target == FINISHED else target)
            for step in part
            for target in following(protocol, step)
        }
        inside = {step.id for step in part}
        assert {way for way in drawn if way[0] in inside} == wanted
    assert ("the_canal_is_done", protocol.closing[0].id) in drawn


def test_options_and_facts_stand_on_the_arrows() -> None:
    text = mermaid(PROTOCOLS[0])
    assert "step_dry --> step_dry: no | wet | bleeding | exudate\n" in text
    assert "step_plugger_depth --> step_heat: length [downpack short]\n" in text
    way = "step_downpack_radiograph --> step_increment_press: accepted or none [else]\n"
    assert way in text


def test_no_title_can_break_the_picture() -> None:
    hard = 'To"ot;h: #1 <b>\nx</b> --> [*]'
    first = PROTOCOLS[0].opening[0].model_copy(update={"title": hard, "id": "end"})
    changed = {"title": 'A: "b"\n---', "opening": (first, *PROTOCOLS[0].opening[1:])}
    text = mermaid(PROTOCOLS[0].model_copy(update=changed))
    assert text.startswith('---\ntitle: "A: \\"b\\" ---"\n---\nstateDiagram-v2\n')
    (box,) = [line for line in text.splitlines() if line.endswith(" as step_end")]
    assert re.fullmatch(r' *state "[^";:<>]*" as step_end', re.sub(r"#\w+;", "", box))


def test_the_command_prints_the_picture_and_nothing_else() -> None:
    file = data_folder("protocols") / "to-post-level.yaml"
    printed = CliRunner().invoke(main, ["check-protocol", str(file), "--picture"])
    assert printed.output == mermaid(PROTOCOLS[1])


def test_asking_leaves_no_model_behind_in_the_machine() -> None:
    protocol = PROTOCOLS[0]
    next_step(protocol, protocol.by_id["press"], None, lambda _: False)
    assert machine(protocol.canal).models == []


def test_a_protocol_that_was_asked_passes_to_another_process_and_leads_the_same_way() -> None:
    protocol = PROTOCOLS[0]
    ways = {step.id: following(protocol, step) for step in protocol.canal}
    received = pickle.loads(pickle.dumps(protocol))
    assert {step.id: following(received, step) for step in received.canal} == ways
