"""Errors that a person can act on: what file, what key, what value, what is allowed."""


class InputError(ValueError):
    """Bad input: commands print it as one line and end with exit code 2.

    file: name of the file; key: dotted key; value: what was found; allowed: what
    is allowed, or what to do.
    """

    def __init__(self, file: str, key: str, value: object, allowed: str) -> None:
        self.file = str(file)
        self.key = key
        self.value = value
        self.allowed = allowed
        super().__init__(str(self))

    def __reduce__(self) -> tuple[type["InputError"], tuple[str, str, object, str]]:
        """Errors of workers come back through a pickle; the value as text, whatever it is."""
        shown = self.value if isinstance(self.value, str | int | float | None) else repr(self.value)
        return InputError, (self.file, self.key, shown, self.allowed)

    def __str__(self) -> str:
        where = f"{self.file}: " if self.file else ""
        key = f"{self.key}: " if self.key else ""
        shown = "" if self.value is None else f"{_short(self.value)}: "
        return f"{where}{key}{shown}{self.allowed}"


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."
