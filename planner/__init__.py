"""The wheel and the schedule: how tension falls in a wheel and what to do about it."""
