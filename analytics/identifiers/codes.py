"""Codes that stand for persons: made from a number and a key that only the clinic holds.

A code is the keyed hash HMAC-SHA-256 (FIPS 198-1, RFC 2104) of the kind of number and the number, written
as fifteen consonants. The same key gives the same code, so that the next quarter links to this one; without
the key no code can be made or tried out, though a chart number has only a few digits. Letters only, so that
no code looks like a date, a telephone number or a word.
"""

import base64
import binascii
import hashlib
import hmac
import math
import os
import secrets
import stat
import unicodedata
from collections import Counter
from collections.abc import Iterable
from itertools import pairwise
from pathlib import Path

from analytics import files
from analytics.errors import ParameterError, RecordError

LETTERS = "bcdfghjkmnpqrstvwxz"
LENGTH = 15  # 19**15 codes: about 64 bits
SHORTEST_KEY_BYTES = 32  # as long as the hash (RFC 2104, section 3)
LEAST_BITS = 120  # of the key, as its bytes show them; assumed


def code(chart_number: str, key_file: str | Path) -> str:
    """Return the code of a chart number; nothing is stored.

    Parameters
    ----------
    chart_number
        As the register has it; spaces around it and capitals do not count, leading zeros do.
    key_file
        The clinic's key.

    Raises
    ------
    ParameterError
        When the number is empty, or the key is weak or open to others.
    """
    if not plain_id(chart_number):
        raise ParameterError("code: no chart number was given; type it as the register has it")
    return of("patient", chart_number, read_key(key_file))


def of(kind: str, number: str, key: bytes) -> str:
    """Return the code of a number of a kind (patient, session, staff and so on).

    >>> of("patient", " 0001", bytes(range(32))) == of("patient", "0001", bytes(range(32)))
    True
    >>> of("patient", "0001", bytes(range(32))) == of("staff", "0001", bytes(range(32)))
    False
    """
    message = f"{kind}\x1f{plain_id(number)}".encode()
    value = int.from_bytes(hmac.new(key, message, hashlib.sha256).digest(), "big")
    letters = []
    for _ in range(LENGTH):
        value, rest = divmod(value, len(LETTERS))
        letters.append(LETTERS[rest])
    text = "".join(letters)
    return f"{text[:5]}-{text[5:10]}-{text[10:]}"


def plain_id(number: str) -> str:
    """Return a number as it is hashed: composed, without spaces around it, in small letters."""
    return " ".join(unicodedata.normalize("NFKC", number).split()).casefold()


def by_number(kind: str, numbers: Iterable[str], key: bytes) -> dict[str, str]:
    """Return the code of each distinct number.

    Raises
    ------
    RecordError
        When two numbers differ only in capitals or spaces and would share a code.
    """
    codes = {number: of(kind, number, key) for number in set(numbers)}
    if len(set(codes.values())) < len(codes):
        twice = len(codes) - len(set(codes.values()))
        raise RecordError(
            f"{kind}: {twice} numbers differ from another only in capitals or spaces; one person has one "
            "number; write it alike in all rows"
        )
    return codes


def read_key(key_file: str | Path, *, outside: Iterable[Path] = ()) -> bytes:
    """Return the key in a file: 64 hexadecimal digits, base64, or 32 bytes and more.

    Parameters
    ----------
    key_file
        The clinic's key.
    outside
        Folders the key must not lie in, those of the data.

    Raises
    ------
    ParameterError
        When it is absent, weak, readable by others, or lies beside the data it protects.
    """
    place = Path(key_file)
    if not place.is_file():
        raise ParameterError(
            "key file: there is no such file; make one with regrowth deidentify --new-key FILE"
        )
    resolved = place.resolve()
    for folder in outside:
        if resolved.is_relative_to(folder.resolve()):
            raise ParameterError(
                "key file: it lies in the folder of the data; a key beside its data protects nothing; keep "
                "it elsewhere, where only the clinic can read it"
            )
    if os.name == "posix" and resolved.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise ParameterError(
            "key file: others can read it; a key is for its owner alone; run chmod 600 on it"
        )
    key = _decoded(resolved.read_bytes())
    if is_weak(key):
        raise ParameterError(
            f"key file: the key is weak; a key is {SHORTEST_KEY_BYTES} random bytes and more, no password; "
            "make one with regrowth deidentify --new-key FILE"
        )
    return key


def new_key(place: Path) -> Path:
    """Write a new key of 32 random bytes as hexadecimal digits, for its owner alone.

    Raises
    ------
    ParameterError
        When a file of this name exists: writing over a key would unlink every code made with it.
    """
    try:
        return files.write(place, secrets.token_hex(SHORTEST_KEY_BYTES) + "\n", is_new=True)
    except FileExistsError:
        raise ParameterError(
            "new key: a file of this name exists; a key is never written over; name another file"
        ) from None


def is_weak(key: bytes) -> bool:
    """Tell whether a key is too short, repeats itself, or counts up.

    >>> is_weak(b"password" * 8), is_weak(bytes(range(64))), is_weak(hashlib.sha256(b"").digest())
    (True, True, False)
    """
    if len(key) < SHORTEST_KEY_BYTES:
        return True
    repeats = key in (key + key)[1:-1]
    steps = {(b - a) % 256 for a, b in pairwise(key)}
    shares = [n / len(key) for n in Counter(key).values()]
    bits = -sum(p * math.log2(p) for p in shares) * len(key)
    return repeats or len(steps) <= 2 or bits < LEAST_BITS


def _decoded(content: bytes) -> bytes:
    """Return the bytes of a key file, which may hold them as hexadecimal digits or base64."""
    text = content.strip()
    try:
        return binascii.unhexlify(text)
    except (binascii.Error, ValueError):
        pass
    try:
        found = base64.b64decode(text, validate=True)
    except (binascii.Error, ValueError):
        return text
    return found if len(found) >= SHORTEST_KEY_BYTES else text
