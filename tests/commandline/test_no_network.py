"""Without a screen the program touches no network: Python's own audit events tell."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np

from assistant.sound.samples import RATE_HZ
from assistant.sound.sources import write_wav

WATCHED = """
import sys
def watch(event, args):
    if event in {"socket.connect", "socket.bind", "socket.getaddrinfo", "socket.sendto"}:
        family = getattr(args[0], "family", None)
        if family is None or family.name != "AF_UNIX":
            print("NETWORK", event, args, file=sys.stderr)
sys.addaudithook(watch)
from assistant.commandline.main import main
for command in sys.argv[1].split("|"):
    main(command.split(), standalone_mode=False)
"""


def watched(commands: str, folder: Path, text: str = "") -> str:
    done = subprocess.run(
        [sys.executable, "-c", WATCHED, commands],
        input=text,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        env={**os.environ, "FILLWARM_CASES": str(folder / "store"), "HOME": str(folder)},
    )
    assert done.returncode == 0, done.stderr
    return done.stderr


def test_a_case_and_what_is_made_of_it_need_no_network(tmp_path: Path) -> None:
    sound = tmp_path / "said.wav"
    noise = np.random.default_rng(1).normal(0, 30, RATE_HZ // 2).astype(np.int16)
    write_wav(sound, noise)
    told = watched(
        f"run --typed --case {tmp_path}/store/one|run --wav {sound} "
        f"--case {tmp_path}/store/two|cases|review one|note one|verify one|"
        f"export one --out {tmp_path}/one.json|import {tmp_path}/one.json|audit",
        tmp_path,
        "tooth 24\nbuccal and palatal\n",
    )
    assert "NETWORK" not in told


def test_the_screen_is_what_opens_it(tmp_path: Path) -> None:
    told = watched(
        f"run --typed --screen --screen-port 0 --case {tmp_path}/one", tmp_path, "tooth 24\n"
    )
    assert "NETWORK socket.bind" in told
    assert "127.0.0.1" in told
