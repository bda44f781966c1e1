"""Files read and written: whole, durable, with errors that name the line. Knows no case."""
