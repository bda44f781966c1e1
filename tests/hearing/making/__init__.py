"""How the program's own acoustic model is made: speech, rooms, training, measuring."""
