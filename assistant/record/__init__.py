"""The append-only journal that is the truth of a case."""
