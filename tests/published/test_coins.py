"""The table of coins against what the issuers publish, to the last digit.

Addresses as read. Values marked "secondary" were read elsewhere than at the issuer's, those marked "memory" were not
read again: for them the table is held against itself alone, and the documentation says so.
"""

from __future__ import annotations

import pytest

from lightgap.neck.errors import InputError
from lightgap.vision.coins import COINS, SOURCES, find_coin
from lightgap.vision.reference import SIZE_RANGE_MM, parse_reference

# Diameter in mm as printed.
PUBLISHED = {
    # United States Mint, Coin Specifications:
    # https://www.usmint.com/learn/coin-and-medal-programs/coin-specifications
    "issuer": {
        "usd-0.01": "19.05",
        "usd-0.05": "21.21",
        "usd-0.10": "17.91",
        "usd-0.25": "24.26",
        "usd-0.50": "30.61",
        "usd-1": "26.49",
        # Regulation (EC) No 975/98, now (EU) No 729/2014, Annex I, in the EUR-Lex summary:
        # https://eur-lex.europa.eu/legal-content/EL/LSU/?uri=LEGISSUM%3Al25028
        "eur-0.50": "24.25",
        "eur-1": "23.25",
        "eur-2": "25.75",
        # Swiss National Bank, https://snb.ch/en/the-snb/mandates-goals/cash/coins
        "chf-5": "31.45",
        "chf-2": "27.40",
        "chf-1": "23.20",
        "chf-0.50": "18.20",
        "chf-0.20": "21.05",
        "chf-0.10": "19.15",
        "chf-0.05": "17.15",
        # Japan Mint, https://www.mint.go.jp/eng/kids-eng/eng_kids_circulating_c.html
        "jpy-1": "20.0",
        "jpy-5": "22.0",
        "jpy-10": "23.5",
    },
    "secondary": {
        # Annex I of the same regulation, in three agreeing tables, among them
        # https://numismaticaspicciola.com/2015/09/05/euro-caratteristiche-tecniche/ and
        # http://euros.monedas.dx.am/coins.htm
        "eur-0.01": "16.25",
        "eur-0.02": "18.75",
        "eur-0.05": "21.25",
        "eur-0.10": "19.75",
        "eur-0.20": "22.25",
        # https://quick-advices.com/what-is-the-circumference-of-a-pound-coin/ ,
        # http://scarletscoins.blogspot.com/2012/12/2p-two-pence-tuppence.html ; 1p, 10p, 20p, 50p: coin catalogues
        "gbp-0.01": "20.3",
        "gbp-0.02": "25.9",
        "gbp-0.05": "18.0",
        "gbp-0.10": "24.5",
        "gbp-0.20": "21.4",
        "gbp-0.50": "27.3",
        "gbp-1": "23.43",
        "gbp-2": "28.4",
        # coin catalogues
        "jpy-50": "21.0",
        "jpy-100": "22.6",
        "jpy-500": "26.5",
        "cad-0.25": "23.88",
        # https://coin-brothers.com/catalog/coin9193
        "cad-1": "26.5",
        # https://exclusivecoins.blogspot.com/2012/05/66-coins-of-canada-minted-by-royal.html
        "cad-2": "28",
    },
    "memory": {
        "cad-0.05": "21.2",
        "cad-0.10": "18.03",
        "aud-0.05": "19.41",
        "aud-0.10": "23.60",
        "aud-0.20": "28.52",
        "aud-0.50": "31.51",
        "aud-1": "25.00",
        "aud-2": "20.50",
    },
}


@pytest.mark.parametrize("coin", COINS, ids=lambda c: c.name)
def test_diameter_is_the_published_one_to_the_last_digit(coin: object) -> None:
    printed = PUBLISHED[coin.known][coin.name]  # type: ignore[attr-defined]
    decimals = len(printed.partition(".")[2])
    assert f"{coin.diameter_mm:.{decimals}f}" == printed  # type: ignore[attr-defined]
    assert coin.diameter_mm == float(printed)  # type: ignore[attr-defined]


def test_every_published_coin_is_in_the_table_once() -> None:
    names = [coin.name for coin in COINS]
    assert len(names) == len(set(names))
    assert set(names) == {name for kind in PUBLISHED.values() for name in kind}
    assert {coin.currency for coin in COINS} == set(SOURCES)


def test_five_cents_of_australia_stay_under_their_legal_maximum() -> None:
    """Currency (Royal Australian Mint) Determination 2004 (No. 5): maximum diameter 19.53 mm, circular.

    https://casechat.au/cases/au/currency-royal-australian-mint-determination-2004-no-5-cth
    """
    assert 19.3 < find_coin("aud-0.05").diameter_mm <= 19.53


# Shapes: 20 euro cents has seven notches (Regulation (EU) No 729/2014: "Spanish flower"); 20 and 50 pence seven-sided
# and one pound twelve-sided (Royal Mint); one Canadian dollar eleven-sided; 50 Australian cents twelve-sided.
@pytest.mark.parametrize("name", ["eur-0.20", "gbp-0.20", "gbp-0.50", "gbp-1", "cad-1", "aud-0.50"])
def test_coin_that_is_not_round_is_refused_in_one_line(name: str) -> None:
    with pytest.raises(InputError, match="gives no diameter: take a round one") as found:
        parse_reference(f"coin:{name}")
    assert "\n" not in str(found.value)
    assert name.partition("-")[0] in str(found.value)


def test_every_round_coin_can_be_asked_for() -> None:
    low, high = SIZE_RANGE_MM["coin"]
    for coin in COINS:
        if not coin.shape:
            request = parse_reference(f"coin:{coin.name}")
            assert (request.kind, request.size_mm) == ("coin", coin.diameter_mm)
            assert low <= coin.diameter_mm <= high


@pytest.mark.parametrize("text", ["coin:USD-.25", "coin:usd-0.250", "coin:24.26", "coin:24.26mm"])
def test_other_ways_of_writing_a_quarter(text: str) -> None:
    assert parse_reference(text).size_mm == 24.26


@pytest.mark.parametrize(
    "text, part",
    [
        ("coin:xyz-1", "no coins of 'xyz'"),
        ("coin:usd-3", "listed are usd-0.01"),
        ("coin:usd-x", "listed are"),
    ],
)
def test_unknown_coin_says_what_is_known(text: str, part: str) -> None:
    with pytest.raises(InputError, match=part) as found:
        parse_reference(text)
    assert "coin:24.26" in str(found.value)
