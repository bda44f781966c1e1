"""The pace of a case: how much is said, and how long it takes (a campaign)."""
