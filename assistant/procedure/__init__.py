"""What follows from what is said: the door, the rules, and ``decide``, which asks both."""
