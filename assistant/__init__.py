"""Hands-free procedure assistant for warm vertical compaction of gutta-percha.

Follow one spoken depth from microphone to note by reading, in this order:
``sound/sources.py``, ``speech/listeners.py``, ``words/understand.py``,
``procedure/decide.py``, ``progress/apply.py``, ``record/journal.py``,
``report/note.py``.
"""

__version__ = "0.2.0"
