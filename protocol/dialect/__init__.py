"""A syntax of the firmware's own, described in a file, and wire version 1 to it and back."""
