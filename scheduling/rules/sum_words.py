"""Sums in words for receipts, so that no digit can be added by hand: English and Canadian French."""

from decimal import Decimal

_EN = [
    "zero",
    "one",
    "two",
    "three",
    "four",
    "five",
    "six",
    "seven",
    "eight",
    "nine",
    "ten",
    "eleven",
    "twelve",
    "thirteen",
    "fourteen",
    "fifteen",
    "sixteen",
    "seventeen",
    "eighteen",
    "nineteen",
]
_EN_TENS = ["_", "_", "twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety"]
_FR = [
    "zéro",
    "un",
    "deux",
    "trois",
    "quatre",
    "cinq",
    "six",
    "sept",
    "huit",
    "neuf",
    "dix",
    "onze",
    "douze",
    "treize",
    "quatorze",
    "quinze",
    "seize",
    "dix-sept",
    "dix-huit",
    "dix-neuf",
]
_FR_TENS = [
    "_",
    "_",
    "vingt",
    "trente",
    "quarante",
    "cinquante",
    "soixante",
    "soixante",
    "quatre-vingt",
    "quatre-vingt",
]
MOST = 999_999


def sum_in_words(amount: Decimal, language: str) -> str:
    """Return whole units in words and hundredths as a fraction: "one hundred eighty and 00/100".

    `amount` is from 0 to 999,999.99 to the cent; ValueError outside. French for "fr" and its regions, else English.
    """
    whole, cents = divmod(int(amount * 100), 100)
    if not 0 <= amount <= MOST + 1 or whole > MOST:
        raise ValueError(f"No words for {amount}.")
    french = language.lower().startswith("fr")
    words = _french(whole) if french else _english(whole)
    return f"{words} {'et' if french else 'and'} {cents:02d}/100"


def _english(number: int) -> str:
    if number < 20:
        return _EN[number]
    if number < 100:
        tens, rest = divmod(number, 10)
        return _EN_TENS[tens] + (f"-{_EN[rest]}" if rest else "")
    size, name = (1000, "thousand") if number >= 1000 else (100, "hundred")
    many, rest = divmod(number, size)
    return f"{_english(many)} {name}" + (f" {_english(rest)}" if rest else "")


def _french(number: int, *, last: bool = True) -> str:
    """Return the traditional spelling; before "mille" (`last` False) quatre-vingt and cent take no s."""
    if number < 100:
        return _french_tens(number, last=last)
    if number < 1000:
        many, rest = divmod(number, 100)
        head = "cent" if many == 1 else f"{_FR[many]} cent"
        if rest:
            return f"{head} {_french_tens(rest, last=last)}"
        return head + ("s" if many > 1 and last else "")
    many, rest = divmod(number, 1000)
    head = "mille" if many == 1 else f"{_french(many, last=False)} mille"
    return head + (f" {_french(rest)}" if rest else "")


def _french_tens(number: int, *, last: bool) -> str:
    if number < 20:
        return _FR[number]
    tens, rest = divmod(number, 10)
    if tens in (7, 9):
        rest += 10
    if tens == 8 and not rest:
        return "quatre-vingts" if last else "quatre-vingt"
    if not rest:
        return _FR_TENS[tens]
    joint = " et " if rest in (1, 11) and tens < 8 else "-"
    return f"{_FR_TENS[tens]}{joint}{_FR[rest]}"
