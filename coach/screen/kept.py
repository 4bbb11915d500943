"""Pictures kept for the next time, so many bytes of them: the one not wanted for longest goes first.

A bound by number alone is none where a picture may be a bar number or a whole sentence: 800 pieces of
writing came to more than 80 MiB in an hour of drilling, each sentence that was said among them.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import update_wrapper
from typing import Generic, ParamSpec, TypeVar

P = ParamSpec("P")
R = TypeVar("R")


class Kept(Generic[P, R]):
    """A function whose last results are kept, at most ``most`` and ``most_bytes`` of them.

    The newest is kept however large it is.  For one thread only.
    """

    __wrapped__: Callable[P, R]

    def __init__(self, made: Callable[P, R], size: Callable[[R], int], most: int, most_bytes: int) -> None:
        """``size`` returns the bytes of a result."""
        self._size, self._most, self._most_bytes = size, most, most_bytes
        self._found: dict[object, R] = {}  # the one used last stands last
        self.bytes = 0  # of what is kept
        update_wrapper(self, made)

    def __call__(self, *args: P.args, **named: P.kwargs) -> R:
        """Return what the function returns for these."""
        key = (args, *sorted(named.items())) if named else args
        try:
            found = self._found.pop(key)
        except KeyError:
            found = self.__wrapped__(*args, **named)
            self.bytes += self._size(found)
        self._found[key] = found
        while len(self._found) > 1 and (len(self._found) > self._most or self.bytes > self._most_bytes):
            self.bytes -= self._size(self._found.pop(next(iter(self._found))))
        return found

    def __len__(self) -> int:
        """How many results are kept."""
        return len(self._found)


def kept(size: Callable[[R], int], *, most: int, most_bytes: int) -> Callable[[Callable[P, R]], Kept[P, R]]:
    """Decorate a function so that its last results are kept; its arguments must be hashable."""
    return lambda made: Kept(made, size, most, most_bytes)
