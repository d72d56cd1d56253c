"""Recordings of what went over a wire: their layout, what is in them, and playing either side again."""
