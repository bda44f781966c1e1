"""A rehearsed case with invented data: an operator whose speech is synthesised."""
