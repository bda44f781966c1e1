"""What the installed core leaves out: packages that only some commands need.

``pyproject.toml`` lists each extra's packages under the same name; a test holds the two
together. A command asks with :func:`need` before it loads them.
"""

from __future__ import annotations

from importlib.util import find_spec

from assistant.errors import EquipmentError

EXTRAS = {
    "pictures": ("matplotlib", "scipy"),
    "exchange": ("fhir",),
    "scripts": ("uharfbuzz", "noto_cjk_sans_otc"),
    "names": ("cryptography",),
    "sign": ("cryptography", "joserfc", "keyring", "rfc3161_client", "segno"),
    "pdf-sign": ("pyhanko",),
    "tls": ("cryptography",),
    "screen": ("segno", "starlette", "uvicorn", "websockets"),
}
"""The modules of each extra."""


def installed(extra: str) -> bool:
    """Whether all of an extra's packages are there."""
    return all(find_spec(module) is not None for module in EXTRAS[extra])


def how_to(extra: str) -> str:
    """Where to type what to install it."""
    return f"in the folder of the program, .venv/bin/pip install '.[{extra}]'"


def need(extra: str, what: str) -> None:
    """``what`` (the beginning of a sentence) cannot go on without an extra.

    Raises:
        EquipmentError: it is not installed.
    """
    if not installed(extra):
        raise EquipmentError(
            f"{what} needs packages that are not installed; install them: {how_to(extra)}."
        )
