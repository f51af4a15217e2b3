"""Errors that a person can act on: what file, what key, what value, what is allowed."""


class InputError(ValueError):
    """Bad input: commands print it, a line for each thing that is wrong, and end with exit code 2.

    file: name of the file; key: dotted key; value: what was found; allowed: what
    is allowed, or what to do; more: what else is wrong.
    """

    def __init__(
        self, file: str, key: str, value: object, allowed: str, more: tuple["InputError", ...] = ()
    ) -> None:
        self.file = str(file)
        self.key = key
        self.value = value
        self.allowed = allowed
        self.more = more
        super().__init__(str(self))

    @property
    def all(self) -> tuple["InputError", ...]:
        """This and what else is wrong."""
        return (self, *self.more)

    def __reduce__(self) -> tuple[type["InputError"], tuple[object, ...]]:
        """Errors of workers come back through a pickle; the value as text, whatever it is."""
        shown = self.value if isinstance(self.value, str | int | float | None) else repr(self.value)
        return InputError, (self.file, self.key, shown, self.allowed, self.more)

    def line(self, number: int | None = None) -> str:
        """This alone, in one line; ``number``: of the line in the file."""
        at = "" if number is None else f"{number}:"
        where = f"{self.file}:{at} " if self.file else ""
        key = f"{self.key}: " if self.key else ""
        shown = "" if self.value is None else f"{_short(self.value)}: "
        return f"{where}{key}{shown}{self.allowed}"

    def __str__(self) -> str:
        return "\n".join(one.line() for one in self.all)


def together(found: list[InputError]) -> InputError:
    """One error of several."""
    first, *rest = found
    first.more = tuple(rest)
    return first


def _short(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."
