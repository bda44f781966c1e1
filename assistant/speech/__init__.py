"""From sound to intent: audio, front end, listeners, grammar, understanding."""
