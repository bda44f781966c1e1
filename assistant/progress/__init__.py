"""Where a case stands: requests, events, the state they add up to, and what is reckoned from
it. Nothing here decides."""
