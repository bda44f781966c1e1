"""What the process that workers are forked from has read; imported by nothing else."""

from assistant.speech import own_ears, own_listener  # noqa: F401  # shared by every worker

own_ears.load()
