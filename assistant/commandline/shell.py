"""What a shell wants to know: ``completion``, ``exit-codes``."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from pathlib import Path

import click
from click.shell_completion import get_completion_class

from assistant import errors

PROGRAM = "fillwarm"
SHELLS = ("bash", "zsh", "fish")


@click.command()
@click.argument("shell", type=click.Choice(SHELLS), required=False)
@click.pass_context
def completion(ctx: click.Context, shell: str | None) -> None:
    """Print the script that lets a shell complete commands and cases.

    Without a shell, for the one in SHELL. Put `eval "$(fillwarm completion bash)"` into
    ~/.bashrc (zsh: ~/.zshrc), or `fillwarm completion fish | source` into config.fish.
    """
    if shell is None:
        shell = Path(os.environ.get("SHELL", "")).name
        if shell not in SHELLS:
            raise click.UsageError(f"Say which shell: {', '.join(SHELLS)}.")
    kind = get_completion_class(shell)
    assert kind is not None, "click has these three"
    script = kind(ctx.find_root().command, {}, PROGRAM, f"_{PROGRAM.upper()}_COMPLETE")
    click.echo(script.source())


@click.command("exit-codes")
@click.option("--json", "as_json", is_flag=True)
def exit_codes(as_json: bool) -> None:
    """What the exit codes mean."""
    found = dict(sorted(codes()))
    if as_json:
        click.echo(json.dumps([{"code": c, "meaning": m} for c, m in found.items()], indent=2))
        return
    for code, meaning in found.items():
        click.echo(f"{code:>3}  {meaning}")


def codes() -> Iterator[tuple[int, str]]:
    """Every exit code with its meaning: the first line of what its error says of itself."""
    yield 0, "Done."
    yield errors.UserError.exit_code, "Something else went wrong, told in one sentence."
    yield click.UsageError.exit_code, "Wrong use of the command line."
    yield from (
        (kind.exit_code, _first_line(kind)) for kind in _with_own_code(errors.UserError)
    )
    yield errors.INTERRUPTED, "Interrupted (Ctrl-C); what was recorded is on the disk."


def _with_own_code(kind: type[errors.UserError]) -> Iterator[type[errors.UserError]]:
    """Subclasses that set a code; the rest share that of the class above them."""
    for below in kind.__subclasses__():
        if "exit_code" in vars(below) and below.__module__ == errors.__name__:
            yield below
        yield from _with_own_code(below)


def _first_line(kind: type) -> str:
    return (kind.__doc__ or kind.__name__).strip().splitlines()[0]
