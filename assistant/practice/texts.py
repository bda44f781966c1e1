"""The sentences of practice, from ``texts.yaml``: what is seen, what the simulated
operator says, what to work on."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from pydantic import Field

from assistant.files.yamlfile import load_yaml
from assistant.protocol.frozen import Frozen


class Texts(Frozen):
    """Templates by name.

    Attributes:
        findings: what a learner would see; fields in braces.
        operator: fixed words of the simulated operator; all are in the grammar.
        criteria: title of each criterion of the score, and the advice where it was not
            full, with the fields ``bad``, ``of``, ``good``.
        traps: each trap in a few words.
    """

    findings: dict[str, str] = Field(min_length=1)
    operator: dict[str, str] = Field(min_length=1)
    criteria: dict[str, CriterionText] = Field(min_length=1)
    traps: dict[str, str] = Field(min_length=1)
    all_good: str
    not_finished: str


class CriterionText(Frozen):
    """Words for one criterion of the score."""

    title: str
    work_on: str


@cache
def texts() -> Texts:
    """The sentences, read once.

    Raises:
        InputFileError: the installation is damaged.
    """
    return load_yaml(Path(__file__).with_name("texts.yaml"), Texts)
