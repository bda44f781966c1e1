"""A sitting: the loop that ties ears, case, voice and screen together, and its rehearsal."""
