"""``python -m assistant`` is the command line."""

from assistant.commandline.main import main

main(prog_name="fillwarm")
