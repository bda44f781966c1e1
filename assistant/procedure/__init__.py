"""The functional core: what follows (``decide``), and what it makes of a case (``apply``)."""
