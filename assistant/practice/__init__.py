"""Practice for learners: invented cases, what one would see in them, and a score."""
