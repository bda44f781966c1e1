"""A technique as data: its steps, limits and rules, and what must hold between them."""
