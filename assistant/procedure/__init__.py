"""The functional core: decide(state, intent, now) -> events, apply(state, event) -> state."""
