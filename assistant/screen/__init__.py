"""What the people in the room see."""
