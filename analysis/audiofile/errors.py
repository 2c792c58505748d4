"""The one refusal of this room: what is wrong with a file, in the trade's words."""


class AudioError(Exception):
    """A recording that cannot be used, and why.

    `code` is a short snake_case word for programs, and never changes its meaning. `message` is for the person
    who sent the file: what was found, what is wanted, what to do next.

    A file that cannot be opened at all raises OSError instead: that is the storage's fault, not the file's.
    """

    def __init__(self, code: str, message: str) -> None:
        # Both go to Exception, so that the error survives pickling on its way between processes.
        super().__init__(code, message)
        self.code = code
        self.message = message

    def __str__(self) -> str:
        return self.message
