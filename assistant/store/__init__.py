"""The store: all cases of a folder found, named, kept, backed up and erased."""
