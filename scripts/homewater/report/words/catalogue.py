"""The message catalogue: every word of the report, by id and values.

An entry is a text with ``{placeholders}``, or a mapping with ``one`` and ``other`` chosen by the value ``count``
(``{count}`` is the number, ``{count_word}`` and ``{Count_word}`` are words where it is small). Three marks set type:
``*emphasis*``, ``**strong**`` and ``~subscript~``. Marks inside values are never read, so odd ids cannot break a page.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping

from markupsafe import Markup, escape

_PLACEHOLDER = re.compile(r"\{([A-Za-z_0-9]+)\}")
_MARKS = (
    (re.compile(r"\*\*([^*]+)\*\*"), "strong"),
    (re.compile(r"\*([^*]+)\*"), "em"),
    (re.compile(r"~([^~]+)~"), "sub"),
)
_COUNT = {"count", "count_word", "Count_word"}


class CatalogueError(KeyError):
    """An id that the catalogue does not hold, or values that do not fit its placeholders: a fault of the program."""


def placeholders(text: str) -> set[str]:
    """Return the names of the placeholders in a text."""
    return set(_PLACEHOLDER.findall(text))


class Catalogue:
    """The words of one language.

    Args:
        entries: {id: text or {"one": text, "other": text}}.
    """

    def __init__(self, entries: Mapping[str, str | Mapping[str, str]]):
        self.entries = dict(entries)

    def texts(self, identifier: str) -> list[str]:
        """Return the text or the texts (one, other) of an entry.

        Raises:
            CatalogueError: where the id is not known.
        """
        entry = self.entries.get(identifier)
        if entry is None:
            raise CatalogueError(f"the catalogue has no entry {identifier}")
        return [entry] if isinstance(entry, str) else [entry["one"], entry["other"]]

    def wanted(self, identifier: str) -> set[str]:
        """Return the values that an entry has a place for."""
        return set().union(*map(placeholders, self.texts(identifier))) - _COUNT

    def _text(self, identifier: str, values: dict[str, object]) -> tuple[str, dict[str, object]]:
        texts = self.texts(identifier)
        if len(texts) == 2:
            if "count" not in values:
                raise CatalogueError(f"entry {identifier} needs the value count")
            text = texts[0] if values["count"] == 1 else texts[1]
        else:
            text = texts[0]
        values = dict(values)
        count = values.get("count")
        if isinstance(count, int):
            word = self.entries.get(f"numeral.{count}")
            values["count"] = f"{count:,}".replace(",", self.entries["format.thousands"])
            values["count_word"] = word or values["count"]
            values["Count_word"] = values["count_word"][0].upper() + values["count_word"][1:]
        wanted = set().union(*map(placeholders, texts))
        given = set(values) - _COUNT
        if wanted - set(values) or given - wanted:
            raise CatalogueError(
                f"entry {identifier}: lacks {sorted(wanted - set(values))}, has no place for {sorted(given - wanted)}"
            )
        return text, values

    def plain(self, identifier: str, **values: object) -> str:
        """Return the text without marks, for alternative texts and titles."""
        text, values = self._text(identifier, values)
        for mark, _ in _MARKS:
            text = mark.sub(r"\1", text)
        return _PLACEHOLDER.sub(lambda m: str(values[m[1]]), text)

    def say(self, identifier: str, **values: object) -> Markup:
        """Return the text as HTML: marks become tags, values are escaped unless they are already markup."""
        text, values = self._text(identifier, values)
        return self._fill(text, values, escape, lambda tag, inner: f"<{tag}>{inner}</{tag}>")

    def drawn(self, identifier: str, **values: object) -> str:
        """Return the text for a figure: subscripts in the drawing library's math notation, dollar signs made safe."""
        text, values = self._text(identifier, values)

        def safe(value: object) -> str:
            return str(value).replace("$", r"\$")

        def mark(tag: str, inner: str) -> str:
            return {"sub": f"$_{{\\mathrm{{{inner}}}}}$"}.get(tag, inner)

        return str(self._fill(text, values, safe, mark))

    @staticmethod
    def _fill(
        text: str, values: dict[str, object], safe: Callable[[object], str], mark: Callable[[str, str], str]
    ) -> Markup:
        # The fixed text is marked up before values go in: what stands in a value is never read as a mark.
        slots: list[str] = []

        def keep(match: re.Match) -> str:
            slots.append(match[1])
            return f"\x00{len(slots) - 1}\x00"

        fixed = str(safe(_PLACEHOLDER.sub(keep, text)))
        for pattern, tag in _MARKS:
            fixed = pattern.sub(lambda m, tag=tag: mark(tag, m[1]), fixed)
        return Markup(re.sub(r"\x00(\d+)\x00", lambda m: str(safe(values[slots[int(m[1])]])), fixed))
