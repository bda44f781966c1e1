"""``python -m assistant`` is the command line."""

from assistant.cli import main

main(prog_name="fillwarm")
