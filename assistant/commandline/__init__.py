"""The commands, one module for each kind; ``commandline/main.py`` loads them."""
