"""People whom a store knows: their aliases, and their names found in texts by digest. The names themselves it does not know."""

from __future__ import annotations

import hashlib
import hmac
import json
import re
import secrets

import duckdb

from calib.logs.names import change_texts, is_unspaced, plain_spelling, word_pattern

ALPHABET = "ABCDEFGHJKMNPQRSTVWXYZ23456789"
LONGEST_NAME = 5  # words
LONGEST_UNSPACED = 8  # letters
FIRST_OF = "first of: "  # in front of the first word of a name of several, before its digest is made


class People:
    """The people of a store, found in texts by digest.

    mode : 'off' puts dots for a name, anything else its alias
    """

    def __init__(self, con: duckdb.DuckDBPyConnection, mode: str = "alias") -> None:
        self.key, self.is_off = made_key(con), mode == "off"
        rows = con.execute("SELECT word_digest, alias, whole FROM person").fetchall()
        self.aliases = {digest: alias for digest, alias, _ in rows}
        self.whole = {digest for digest, _, whole in rows if whole}
        self.seen: dict[str, str] = {}

    def shown(self, alias: str) -> str:
        return "..." if self.is_off else alias

    def whole_name(self, text: str) -> str:
        """The alias of a text that is somebody's whole name; '' of any other."""
        digest = digest_of(text, self.key)
        return self.aliases[digest] if digest in self.whole else ""

    def hidden(self, text: str) -> str:
        """The text with every known name, and every word of one, replaced."""
        words = [match.span() for match in word_pattern().finditer(text)]
        pieces, done, place = list[str](), 0, 0
        while place < len(words):
            count, end, new = self._name_at(text, words[place : place + LONGEST_NAME])
            if new:
                pieces += [text[done : words[place][0]], new]
                done = end
            place += count
        return "".join([*pieces, text[done:]])

    def hidden_json(self, text: str) -> str:
        """The same for a JSON text; it is taken apart only where letters may be escaped in it."""
        if "\\" not in text:
            return self.hidden(text)
        return json.dumps(change_texts(json.loads(text), lambda _, value: self.hidden(value)), ensure_ascii=False)

    def _name_at(self, text: str, words: list[tuple[int, int]]) -> tuple[int, int, str]:
        """How many of the words name somebody, where they end, and what stands for them; 1, and '' where nobody is named."""
        begin, end = words[0]
        if len(words) > 1 and self._alias(FIRST_OF + text[begin:end]):
            for count in range(len(words), 1, -1):
                end = words[count - 1][1]
                for last in (end, end - text[:end].endswith(".")):
                    if alias := self._alias(text[begin:last]):
                        return count, last, self.shown(alias)
        word = text[begin : words[0][1]]
        for known in (word.rstrip("."), word):
            if alias := self._alias(known):
                return 1, begin + len(known), self.shown(alias)
        return 1, words[0][1], self._hidden_inside(word)

    def _hidden_inside(self, word: str) -> str:
        """A run of letters of a script without blanks, with the names in it replaced; '' where there are none."""
        if not any(map(is_unspaced, word)):
            return ""
        new, place = "", 0
        while place < len(word):
            sizes = range(min(LONGEST_UNSPACED, len(word) - place), 1, -1)
            size = next((size for size in sizes if self._alias(word[place : place + size])), 0)
            new += self.shown(self._alias(word[place : place + size])) if size else word[place]
            place += size or 1
        return new if new != word else ""

    def _alias(self, text: str) -> str:
        if text not in self.seen:
            self.seen[text] = self.aliases.get(digest_of(text, self.key), "")
        return self.seen[text]


def alias_of(name: str, key: str) -> str:
    """The same name gets the same alias, whatever its case; 30^6 aliases."""
    number = int(digest_of(name, key), 16)
    letters = ""
    for _ in range(6):
        number, place = divmod(number, len(ALPHABET))
        letters += ALPHABET[place]
    return f"P-{letters}"


def is_alias(name: str) -> bool:
    """
    >>> is_alias("P-ABC234"), is_alias("Anna")
    (True, False)
    """
    return bool(re.fullmatch(rf"P-[{ALPHABET}]{{6}}", name))


def find_key(con: duckdb.DuckDBPyConnection) -> str:
    """The key of this store's aliases, or '' where no alias was ever given."""
    row = con.execute("SELECT value FROM setting WHERE name = 'alias key'").fetchone()
    return str(row[0]) if row else ""


def made_key(con: duckdb.DuckDBPyConnection) -> str:
    key = find_key(con)
    if not key:
        key = secrets.token_hex(16)
        con.execute("INSERT INTO setting VALUES ('alias key', ?)", [key])
    return key


def digest_of(name: str, key: str) -> str:
    return hmac.new(key.encode(), plain_spelling(name).encode(errors="surrogatepass"), hashlib.sha256).hexdigest()
