"""Circulating coins by name: ISO 4217 code and denomination, with the diameter their issuer publishes.

Wear makes a coin smaller, never larger; by how much no issuer says. Coins that are not round are listed so that they
can be refused by name.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import Literal

from lightgap.neck.errors import InputError

Known = Literal["issuer", "secondary", "memory"]


@dataclass(frozen=True, slots=True)
class Source:
    """Where diameters of one currency come from: publication, and the address it was read at."""

    publication: str
    address: str = ""


@dataclass(frozen=True, slots=True)
class Coin:
    """One coin.

    Attributes
    ----------
    currency, denomination
        ISO 4217 code in small letters; in units of the currency.
    diameter_mm, thickness_mm
        As published; the thickness where it is known.
    known
        "issuer": read in the issuer's own publication; "secondary": read elsewhere; "memory": not read again.
    shape
        Empty for a round coin, else what it is instead.
    """

    currency: str
    denomination: str
    diameter_mm: float
    thickness_mm: float | None = None
    known: Known = "issuer"
    shape: str = ""

    @property
    def name(self) -> str:
        """As it is written on the command line: usd-0.25."""
        return f"{self.currency}-{self.denomination}"


SOURCES: dict[str, Source] = {
    "usd": Source(
        "United States Mint, Coin Specifications",
        "https://www.usmint.com/learn/coin-and-medal-programs/coin-specifications",
    ),
    "eur": Source(
        "Regulation (EU) No 729/2014, Annex I, and before it (EC) No 975/98; EUR-Lex summary",
        "https://eur-lex.europa.eu/legal-content/EL/LSU/?uri=LEGISSUM%3Al25028",
    ),
    "gbp": Source("The Royal Mint, coin designs and specifications"),
    "chf": Source("Swiss National Bank, Coins", "https://snb.ch/en/the-snb/mandates-goals/cash/coins"),
    "jpy": Source(
        "Japan Mint, coins in circulation", "https://www.mint.go.jp/eng/kids-eng/eng_kids_circulating_c.html"
    ),
    "cad": Source("Royal Canadian Mint, circulation coins"),
    "aud": Source("Royal Australian Mint, circulating coins"),
}

COINS = (
    Coin("usd", "0.01", 19.05, 1.52),
    Coin("usd", "0.05", 21.21, 1.95),
    Coin("usd", "0.10", 17.91, 1.35),
    Coin("usd", "0.25", 24.26, 1.75),
    Coin("usd", "0.50", 30.61, 2.15),
    Coin("usd", "1", 26.49, 2.00),
    Coin("eur", "0.01", 16.25, 1.67, "secondary"),
    Coin("eur", "0.02", 18.75, 1.67, "secondary"),
    Coin("eur", "0.05", 21.25, 1.67, "secondary"),
    Coin("eur", "0.10", 19.75, 1.93, "secondary"),
    Coin("eur", "0.20", 22.25, 2.14, "secondary", "round with seven notches"),
    Coin("eur", "0.50", 24.25, 2.38),
    Coin("eur", "1", 23.25, 2.33),
    Coin("eur", "2", 25.75, 2.20),
    Coin("gbp", "0.01", 20.3, 1.65, "secondary"),
    Coin("gbp", "0.02", 25.9, 2.03, "secondary"),
    Coin("gbp", "0.05", 18.0, 1.7, "secondary"),
    Coin("gbp", "0.10", 24.5, 1.85, "secondary"),
    Coin("gbp", "0.20", 21.4, None, "secondary", "seven-sided"),
    Coin("gbp", "0.50", 27.3, None, "secondary", "seven-sided"),
    Coin("gbp", "1", 23.43, 2.8, "secondary", "twelve-sided"),
    Coin("gbp", "2", 28.4, 2.5, "secondary"),
    Coin("chf", "0.05", 17.15, 1.25),
    Coin("chf", "0.10", 19.15, 1.45),
    Coin("chf", "0.20", 21.05, 1.65),
    Coin("chf", "0.50", 18.20, 1.25),
    Coin("chf", "1", 23.20, 1.55),
    Coin("chf", "2", 27.40, 2.15),
    Coin("chf", "5", 31.45, 2.35),
    Coin("jpy", "1", 20.0, 1.5),
    Coin("jpy", "5", 22.0, 1.5),
    Coin("jpy", "10", 23.5, 1.5),
    Coin("jpy", "50", 21.0, 1.7, "secondary"),
    Coin("jpy", "100", 22.6, 1.7, "secondary"),
    Coin("jpy", "500", 26.5, 2.0, "secondary"),
    Coin("cad", "0.05", 21.2, 1.76, "memory"),
    Coin("cad", "0.10", 18.03, 1.22, "memory"),
    Coin("cad", "0.25", 23.88, 1.58, "secondary"),
    Coin("cad", "1", 26.5, 1.95, "secondary", "eleven-sided"),
    Coin("cad", "2", 28.0, 1.8, "secondary"),
    Coin("aud", "0.05", 19.41, None, "memory"),
    Coin("aud", "0.10", 23.60, None, "memory"),
    Coin("aud", "0.20", 28.52, None, "memory"),
    Coin("aud", "0.50", 31.51, None, "memory", "twelve-sided"),
    Coin("aud", "1", 25.00, None, "memory"),
    Coin("aud", "2", 20.50, None, "memory"),
)


def is_coin_name(text: str) -> bool:
    """Return True when the text is meant as a coin's name (usd-0.25) and not as a diameter (24.26)."""
    return re.match(r"\s*[A-Za-z]{3}-", text) is not None


def find_coin(text: str) -> Coin:
    """Return the round coin named as CODE-DENOMINATION, such as usd-0.25 or eur-1.

    Raises
    ------
    InputError
        The currency or the denomination is not in the table, or the coin is not round.
    """
    currency, _, amount = text.strip().lower().partition("-")
    listed = [coin for coin in COINS if coin.currency == currency]
    if not listed:
        raise InputError(f"coin {text}: no coins of {currency!r} are listed ({', '.join(SOURCES)}); {_OR_SIZE}")
    try:
        wanted = Decimal(amount)
    except InvalidOperation:
        wanted = None
    found = [coin for coin in listed if wanted is not None and Decimal(coin.denomination) == wanted]
    round_ones = ", ".join(coin.name for coin in listed if not coin.shape)
    if not found:
        raise InputError(f"coin {text}: not in the table; listed are {round_ones}; {_OR_SIZE}")
    if found[0].shape:
        raise InputError(f"coin {text} is {found[0].shape} and gives no diameter: take a round one, {round_ones}")
    return found[0]


_OR_SIZE = "or give the diameter in mm, as in coin:24.26"
