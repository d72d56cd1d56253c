"""The base of every error that a person can do something about."""


class WirevowError(Exception):
    """What is wrong, where, and what to do instead, in one line.

    The command line prints `message` after ``wirevow:`` and ends with `exit_code`: 2 for bad input and
    for ports that cannot be used, as in every command. A program that uses the library catches this
    class, or one of its subclasses, for everything that is not a defect of Wirevow itself.
    """

    def __init__(self, message: str, exit_code: int = 2) -> None:
        super().__init__(message)
        self.message = message
        self.exit_code = exit_code
