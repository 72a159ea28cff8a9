"""One input of bytes to another: at the level of bytes, of words, and of lines. Everything comes from the given chance."""

from __future__ import annotations

import random
import re
from collections.abc import Sequence

BYTES = (
    b"\x00", b"\xff", b"\xfe", b"\xef\xbb\xbf", b"\xff\xfe", b"\xc3", b"\xe2\x80\xa8", b"\xc2\x85", b"\x1a", b"\x0b", b"\x0c", b"\r", b"\n", b"\r\n", b"\n\r",
    b"\t", b" ", b'"', b'""', b"'", b",", b";", b"|", b".", b":", b"-", b"+", b"=", b"@", b"#", b"%", b"\\", b"(", b"[", b"{", b"\xa0", b"\xb0", b"\xb5", b"\xf0\x9f\x94\x8b",
    b"\xed\xa0\x80", b"\xe2\x88\x92", b"\xef\xbc\x91", b"\xd9\xa1", b"\xc2\xb2", b"\xe0\xa5\xa7", b"\x1f\x8b", b"\xe2\x80\x8b",
)
NUMBERS = (
    b"0", b"-0", b"1", b"-1", b"1e308", b"1e309", b"-1e309", b"1e-320", b"1e400", b"9" * 30, b"9" * 400, b"9" * 5000, b"nan", b"NaN", b"inf", b"-inf", b"0x10", b"1_000",
    b"1e5", b"1E+05", b"1d3", b"2147483648", b"9223372036854775808", b"-9223372036854775809", b"18446744073709551616", b"1.7976931348623157e308", b"1e16", b"65535", b"65536",
    b"4294967296", b"1,234.5", b"1.234,5", b"1 234", b"1'234", b"+3", b"3-", b"(3)", b"- 3", b".5", b"5.", b",5", b"1e", b"1e+", b"--", b"OL", b"n/a", b"#REF!", b"true", b"false",
    b"1/2", b"50%", b"3.7V", b"3,7 V", b"\xe2\x88\x923", b"\xd9\xa3", b"\xc2\xb2", b"1e-1e", b"1970", b"0.1", b"4.2", b"60", b"59.999999", b"1000000000000", b"1e22",
)


def mutated(raw: bytes, chance: random.Random, words: Sequence[bytes], other: bytes = b"", most: int = 60_000) -> bytes:
    """``raw`` after one to some changes; ``words`` is the target's own vocabulary, ``other`` an input to take pieces from."""
    for _ in range(1 + min(int(chance.expovariate(0.5)), 12)):
        raw = chance.choices(_WAYS, _WEIGHTS)[0](raw, chance, words, other)
    return raw[:most]


def _place(raw: bytes, chance: random.Random) -> int:
    return chance.randrange(len(raw) + 1)


def _flip(raw, chance, _words, _other):
    if not raw:
        return raw
    at = chance.randrange(len(raw))
    return raw[:at] + bytes([raw[at] ^ (1 << chance.randrange(8))]) + raw[at + 1:]


def _put_bytes(raw, chance, _words, _other):
    at = _place(raw, chance)
    return raw[:at] + chance.choice(BYTES) * chance.choice((1, 1, 1, 2, 9)) + raw[at:]


def _put_word(raw, chance, words, _other):
    at = _place(raw, chance)
    return raw[:at] + _word(chance, words) + raw[at:]


def _word(chance: random.Random, words: Sequence[bytes]) -> bytes:
    return chance.choice(words) if words and chance.random() < 0.6 else chance.choice(NUMBERS)


def _cut(raw, chance, _words, _other):
    at = _place(raw, chance)
    return raw[:at] + raw[at + chance.choice((1, 1, 2, 8, 40, 300)):]


def _twice(raw, chance, _words, _other):
    at = _place(raw, chance)
    return raw[:at] + raw[at: at + chance.choice((1, 4, 30, 200))] * chance.choice((2, 2, 3, 20)) + raw[at:]


def _end(raw, chance, _words, _other):
    return raw[: _place(raw, chance)] if chance.random() < 0.7 else raw[_place(raw, chance):]


_TOKEN = re.compile(rb"[^\s,;|=\[\]{}<>\"#]+")


def _other_token(raw, chance, words, _other):
    """Another word in the place of one."""
    at = _place(raw, chance)
    found = _TOKEN.search(raw, at) or _TOKEN.search(raw)
    return raw[: found.start()] + _word(chance, words) + raw[found.end():] if found else raw


def _everywhere(raw, chance, words, _other):
    """One word in all its places, or one sign for another."""
    found = _TOKEN.search(raw, _place(raw, chance))
    if found and chance.random() < 0.5:
        return raw.replace(found[0], _word(chance, words), chance.choice((-1, 3, 30)))
    return raw.replace(chance.choice(BYTES), chance.choice(BYTES))


def _lines(raw, chance, words, _other):
    lines = raw.split(b"\n")
    at, to = chance.randrange(len(lines)), chance.randrange(len(lines))
    way = chance.randrange(9)
    if way == 0:
        del lines[at]
    elif way == 1:
        lines.insert(to, lines[at])
    elif way == 2:
        lines[at], lines[to] = lines[to], lines[at]
    elif way == 3:
        lines[min(at, to): max(at, to)] = []
    elif way == 4:
        lines.insert(at, chance.choice((b"", b"#", b" ", b"\t", b";;;;", b",,,,", b"# a remark, 12,5", b"End of data", b"[table]", b"[[column]]")))
    elif way == 5:
        lines.insert(at, _word(chance, words))
    elif way == 6:
        lines[at] = lines[at] + chance.choice((b",", b";", b"\t", b" ", b",,", b'"', b"]", b"="))
    elif way == 7:
        lines[min(at, to): max(at, to)] = lines[min(at, to): max(at, to)][::-1]
    else:
        lines = lines * 2
    return b"\n".join(lines)


def _splice(raw, chance, _words, other):
    return raw[: _place(raw, chance)] + other[_place(other, chance):] if other else raw


_WAYS = (_flip, _put_bytes, _put_word, _cut, _twice, _end, _other_token, _everywhere, _lines, _splice)
_WEIGHTS = (4, 5, 4, 4, 3, 2, 10, 4, 6, 1)


def soup(chance: random.Random, words: Sequence[bytes], most: int = 300) -> bytes:
    """Words, signs and bytes in a row, with no form at all."""
    parts: list[bytes] = []
    for _ in range(chance.randrange(most)):
        kind = chance.random()
        parts.append(_word(chance, words) if kind < 0.5 else chance.choice(BYTES) if kind < 0.9 else bytes([chance.randrange(256)]))
        parts.append(chance.choice((b"", b",", b" ", b"\n", b"", b" = ")))
    return b"".join(parts)
