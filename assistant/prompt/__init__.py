"""What the assistant says: wording, voice, chimes, countdowns."""
