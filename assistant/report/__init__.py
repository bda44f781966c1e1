"""What a case leaves behind: note, drawing, PDF, JSON record."""
