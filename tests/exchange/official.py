"""The bundles held to R4's own definitions, and given to a FHIR server and read back.

    npm install --no-package-lock --prefix tests/exchange/server
    .venv/bin/python tests/exchange/official.py

Node does the checking (``server/check.mjs``): StructureDefinitions 4.0.1 and every invariant
in them, by packages of npm. Exits 1 on an error, on a spoilt bundle that was not found out,
or on a resource that came back changed; warnings are printed.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import get_args

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE.parent), str(HERE.parents[1])]

from saved_case import whole  # noqa: E402
from typical_case import Driver, barely_started, many_warnings, molar, two_canals  # noqa: E402

from assistant.exchange.fhir import Kind, bundle_text  # noqa: E402
from assistant.exchange.terminology import resources as published  # noqa: E402
from assistant.files.yamlfile import load_yaml  # noqa: E402
from assistant.protocol.model import Protocol  # noqa: E402
from assistant.report.record import json_text  # noqa: E402

PROTOCOLS = [
    load_yaml(one, Protocol) for one in sorted((HERE.parents[1] / "protocols").glob("*.yaml"))
]

CASES: dict[str, Callable[[], Driver]] = {
    "signed": two_canals,
    "demonstration": lambda: two_canals(demo=True),
    "molar": molar,
    "begun": barely_started,
    "warned": many_warnings,
    "opened": Driver,
}


def main() -> int:
    """See the module docstring."""
    with tempfile.TemporaryDirectory() as folder:
        files = []
        for name, case in CASES.items():
            for kind in get_args(Kind):
                files.append(Path(folder) / f"{name}.{kind}.json")
                files[-1].write_text(bundle_text(whole(case()), kind=kind))
        for base in (None, "https://practice.example/fhir"):
            for name, one in published(PROTOCOLS, base).items():
                files.append(Path(folder) / f"{'url' if base else 'urn'}.{name}")
                files[-1].write_text(json_text(one))
        based = bundle_text(whole(two_canals()), base="https://practice.example/fhir")
        files.append(Path(folder) / "signed.based.json")
        files[-1].write_text(based)
        command = ["node", str(HERE / "server" / "check.mjs"), *map(str, files)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        print(done.stderr, file=sys.stderr)
        return 1
    found = json.loads(done.stdout)
    print("Invariants that the library cannot evaluate:", ", ".join(found.pop("notEvaluated")))
    wrong = 0
    for path, one in found.items():
        bad = [*one["errors"], *one.get("readBack", [])]
        bad += [f"not found out: {what}" for what in one.get("missed", [])]
        wrong += len(bad)
        read = ", read back equal" if one.get("readBack") == [] else ""
        print(f"{Path(path).name}: {one['resources']} resources, {len(bad)} errors{read}")
        for what in bad:
            print(f"  ERROR {what}")
        for what in one["warnings"]:
            print(f"  warning {what}")
    return min(wrong, 1)


if __name__ == "__main__":
    sys.exit(main())
