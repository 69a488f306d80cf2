"""What no browser of ours would send, by the kind of field it is put into; every value is the bytes that travel."""

from random import Random

_LONGEST = 1_000_000

TEXTS: dict[str, bytes] = {
    "nul": b"before\x00after",
    "controls": bytes(range(1, 32)) + b"\x7f",
    "surrogate": b"half \xed\xa0\x80 a pair",
    "not UTF-8": b"\xff\xfe\x80\xc3",
    "right to left": "abc \u202e\u2066dcba\u2069".encode(),
    "zero width": "\u200b\u200d\ufeff".encode(),
    "not a character": "\ufffe\uffff\U0010ffff".encode(),
    "odd ends of line": "a\u2028b\u2029c\x85d\x0be".encode(),
    "blanks": " \t\r\n\u00a0\u3000 ".encode(),
    "stacked accents": ("a" + "\u0301" * 500).encode(),
    "family": ("\U0001f469\u200d\u2695\ufe0f" * 40).encode(),
    "markup": b"</textarea><script>alert(1)</script><img src=x onerror=alert(1)>",
    "template": b"{{ 7|add:7 }} {% debug %} %(name)s %s {0} {name}",
    "SQL": b"' OR 1=1 --\"; \\",
    "header": b"x\r\nSet-Cookie: a=b\r\n\r\n<html>",
    "formula": b"=cmd|' /C calc'!A0",
    "path": b"../../../../etc/passwd",
    "brackets": b"((((a+)+)+)+)$[[[[",
    "list": b"[1, 2]",
    "object": b'{"a": {"$ne": null}}',
    "long": b"lorem ipsum " * 500,
    "pattern": b"a" * 3000 + b"!",
    "digits": b"1" * 5000,
}  # fmt: skip
MEGABYTES: dict[str, bytes] = {
    "1 MB of letters": b"x" * _LONGEST,
    "1 MB of blanks": b" " * _LONGEST,
    "1 MB of digits": b"9" * _LONGEST,
    "1 MB of lines": b"a\n" * (_LONGEST // 2),
}
NUMBERS: dict[str, bytes] = {
    "negative": b"-1",
    "nought": b"0",
    "minus nought": b"-0",
    "above 32 bits": b"2147483648",
    "above 64 bits": b"9223372036854775808",
    "below 64 bits": b"-9223372036854775809",
    "thirty digits": b"9" * 30,
    "five thousand digits": b"7" * 5000,
    "huge exponent": b"1e999999999",
    "tiny exponent": b"1e-999999999",
    "above a double": b"1e400",
    "not a number": b"NaN",
    "signalling": b"sNaN",
    "endless": b"Infinity",
    "endless below": b"-Infinity",
    "comma": b"1,5",
    "many decimals": b"1." + b"3" * 60,
    "wide digits": "\uff11\uff12".encode(),
    "Arabic digits": "\u0663\u0664".encode(),
    "underscore": b"1_000",
    "hexadecimal": b"0x1F",
    "superscript": "\u00b2".encode(),
    "true": b"True",
}
DATES: dict[str, bytes] = {
    "no date": b"0000-00-00",
    "first day": b"0001-01-01",
    "last day": b"9999-12-31",
    "no such day": b"2026-02-30",
    "month 13": b"2026-13-01",
    "five figures": b"10000-01-01",
    "before our era": b"-2026-01-01",
    "first minute": b"0001-01-01T00:00",
    "last minute": b"9999-12-31T23:59",
    "no such minute": b"2026-02-11T25:61",
    "skipped hour": b"2026-03-08T02:30",
    "hour twice": b"2026-11-01T01:30",
    "with an offset": b"2026-02-11T10:00+99:99",
    "24 o'clock": b"24:00",
    "odd time": b"99:99:99",
    "wide date": "\uff12\uff10\uff12\uff16-01-01".encode(),
    "week": b"2026-W60",
    "week 0": b"0000-W00",
    "last week": b"9999-W53",
    "long ago": b"1066-10-14",
}
NAMES: dict[str, bytes] = {
    "nonsense": b"nonsense",
    "nothing": b"",
    "nowhere": b"00000000-0000-4000-8000-000000000000",
    "half a uid": b"00000000-0000-4000",
    "minus one": b"-1",
    "python": b"__class__.__init__",
    "none": b"None",
    "elsewhere": b"//evil.example/",
    "script": b"javascript:alert(1)",
    "backslash": b"/\\evil.example",
}
SORTS = (TEXTS, NUMBERS, DATES, NAMES)
_BY_TYPE = {
    "number": NUMBERS, "date": DATES, "datetime-local": DATES, "time": DATES, "week": DATES,
    "select": NAMES, "radio": NAMES, "hidden": NAMES, "checkbox": NAMES,
}  # fmt: skip


def hostile(random: Random, kind: str = "", *, big: float = 0.01) -> tuple[str, bytes]:
    """Return one value and its name: mostly what is awkward for that kind of field, now and then anything."""
    if random.random() < big:
        return random.choice(list(MEGABYTES.items()))
    fitting = _BY_TYPE.get(kind, TEXTS)
    sort = fitting if random.random() < 0.6 else random.choice(SORTS)
    return random.choice(list(sort.items()))


def values_for(kind: str) -> list[tuple[str, bytes]]:
    """Every value that is awkward for a kind of field, and some that are so for any."""
    fitting = _BY_TYPE.get(kind, TEXTS)
    some = ("nul", "surrogate", "long", "digits", "blanks")
    return [*fitting.items(), *((name, TEXTS[name]) for name in some if fitting is not TEXTS)]


def tampered(random: Random, token: str) -> bytes:
    """Return a secret with something wrong about it."""
    raw = token.encode()
    at = random.randrange(len(raw)) if raw else 0
    ways = [
        raw[:at], raw + b"A", raw[::-1], raw.swapcase(), raw[:at] + b"\x00" + raw[at:], raw * 50,
        raw[:at] + bytes([raw[at] ^ 1]) + raw[at + 1 :] if raw else b"", b" " + raw + b" ",
        raw.replace(b"-", b"_"), raw + b"=" * 3, b"%" + raw, raw[:at] + "\u00e9".encode() + raw[at:],
    ]  # fmt: skip
    return random.choice(ways)
