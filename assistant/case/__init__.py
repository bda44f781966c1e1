"""A case at work: what is decided goes to the journal before it counts."""
