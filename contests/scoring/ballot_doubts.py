"""What looks odd about the ballots of a vote. Advice for its host: each of these has innocent reasons too."""

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

HOUR_S = 3600
BURST_TIMES_MEDIAN = 5.0
FEWEST_IN_BURST = 10
"""An hour with so many ballots, and with so many times the median hour's. Common practice, no source."""
FEWEST_FROM_NETWORK = 3
"""A household votes from one network, and so does a school. Common practice, no source."""


@dataclass(frozen=True)
class Burst:
    """An hour, counted in whole hours since 1970, with its ballots and those of the median hour."""

    hour: int
    ballots: tuple[str, ...]
    median_hour: float


@dataclass(frozen=True)
class Likes:
    """Ballots that say the same of the same mixes, in groups, and how many such pairs luck would make."""

    groups: tuple[tuple[str, ...], ...]
    pairs: int
    pairs_by_luck: float


def bursts(sent_at_s: Mapping[str, float], *, opened_at_s: float, ended_at_s: float) -> tuple[Burst, ...]:
    """Hours with unusually many ballots; times in seconds since 1970, those of ballots by their names.

    The median is over all hours of the vote, those without a ballot included. Empty in, empty out.
    """
    hours: dict[int, list[str]] = {}
    for name, moment_s in sorted(sent_at_s.items()):
        hours.setdefault(int(moment_s // HOUR_S), []).append(name)
    of_vote = range(int(opened_at_s // HOUR_S), math.ceil(ended_at_s / HOUR_S))
    usual = median([len(hours.get(hour, ())) for hour in of_vote]) if of_vote else 0.0
    least = max(float(FEWEST_IN_BURST), BURST_TIMES_MEDIAN * usual)
    return tuple(
        Burst(hour, tuple(names), usual) for hour, names in sorted(hours.items()) if len(names) >= least
    )


def same_orders(orders: Mapping[str, Sequence[str]]) -> Likes:
    """Ballots with the same mixes in the same order.

    Two that hold the same k mixes agree by luck once in k! times. Voters who hear the same agree more often
    than that, so the figure is the least to expect, not a limit.
    """
    groups: dict[tuple[str, ...], list[str]] = {}
    for name, order in sorted(orders.items()):
        groups.setdefault(tuple(order), []).append(name)
    packets = Counter(frozenset(order) for order in orders.values())
    return Likes(
        groups=tuple(tuple(names) for names in groups.values() if len(names) > 1),
        pairs=sum(math.comb(len(names), 2) for names in groups.values()),
        pairs_by_luck=sum(math.comb(many, 2) / math.factorial(len(held)) for held, many in packets.items()),
    )


def crowded_networks(network_of: Mapping[str, str]) -> tuple[tuple[str, ...], ...]:
    """Ballots that came from one network, in groups of three or more, the largest first.

    `network_of` gives each ballot's network under whatever name; an empty one is not known and counts for
    none.
    """
    groups: dict[str, list[str]] = {}
    for name, network in sorted(network_of.items()):
        if network:
            groups.setdefault(network, []).append(name)
    crowded = [tuple(names) for names in groups.values() if len(names) >= FEWEST_FROM_NETWORK]
    return tuple(sorted(crowded, key=lambda names: (-len(names), names)))
