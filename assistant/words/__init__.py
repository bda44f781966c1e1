"""What may be said and what it means: phrases, grammar, understanding. Knows no ears."""
