"""The commands, one module for each kind; ``cli.py`` loads them."""
