"""Who hears what, in which order: a plan that is fair to the judges and holds the scores together."""

import dataclasses
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from random import Random
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, optimize
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from contests.scoring.errors import Infeasible, SheetsRefused
from contests.scoring.severity import reduced_judge_matrix
from contests.scoring.ties import Floats, Indices

Grid = NDArray[np.bool_]  # (n_entries, n_judges)

# Half a hearing's worth of reluctance to let the same two judges meet again: pairs spread, loads still rule.
MEETING_WEIGHT = 0.5
# What an unlucky draw can leave apart is tried again from another draw; conflicts may forbid it altogether.
ATTEMPTS = 20
SWAPS_TRIED = 2000
NAMES_SHOWN = 5
# A repeat that comes sooner is recognised, and then it measures memory. Common practice, no source.
REPEAT_DISTANCE = 6
# Below half of what an ideally linked plan has, the host is told. Common practice, no source.
WEAK_SHARE = 0.5


@dataclass(frozen=True)
class Assignment:
    """A plan: for each judge the entries in the order of listening; a hidden repeat stands there twice.

    `strength` is the second smallest eigenvalue of the normalised reduced judge matrix: 0 when some judges
    share no entry with the rest, `ideal_strength` when all pairs of judges meet equally often; both are None
    for a judge alone. `notes` are sentences for the host about what is not as good as it could be.
    """

    order: Mapping[str, tuple[str, ...]]
    anchors: tuple[str, ...]
    connected: bool
    strength: float | None
    ideal_strength: float | None
    notes: tuple[str, ...]

    @property
    def loads(self) -> dict[str, int]:
        """Number of hearings of each judge, anchors and repeats included."""
        return {judge: len(entries) for judge, entries in self.order.items()}

    def as_json_dict(self) -> dict[str, Any]:
        """The plan as plain dicts, lists, strings and finite numbers."""
        return {
            "order": {judge: list(entries) for judge, entries in self.order.items()},
            "anchors": list(self.anchors),
            "loads": self.loads,
            "connected": self.connected,
            "strength": self.strength,
            "ideal_strength": self.ideal_strength,
            "notes": list(self.notes),
        }


def assign_hearings(
    entries: Sequence[str],
    judges: Sequence[str],
    *,
    hearings: int,
    conflicts: Iterable[tuple[str, str]] = (),
    anchors: Iterable[str] = (),
    seed: int = 0,
) -> Assignment:
    """Give every entry to `hearings` different judges, evenly, without conflicts, and linked into one whole.

    Parameters
    ----------
    entries, judges : sequences of distinct names
    hearings : judges an entry, at least 1
    conflicts : pairs (judge, entry) that must never meet
    anchors : entries that every judge hears; they may stand outside `entries` (a host's own mixes)
    seed : same names and same seed, same plan

    Returns
    -------
    Assignment
        Loads differ by at most 1 without conflicts, and by as little as the conflicts allow with them. Each
        judge has an own random order, in which each entry stands early, in the middle and late about equally
        over its judges.

    Raises
    ------
    SheetsRefused
        A name twice, an unknown name in a conflict, nobody to assign, or no hearing asked for.
    Infeasible
        The demand cannot be met; nothing is assigned in part.

    Notes
    -----
    Greedy, the entry with the fewest permitted judges first, each hearing to the judge with the least load
    and the fewest common entries so far; then loads are levelled along chains of hand-overs, and separate
    groups are joined by exchanges that keep every load. Common practice, no source; that one component is
    needed for one scale of severities follows from the model (see `severity`). Balance over positions is the
    idea of the Latin square: position is a second block beside the judge (Williams 1949, from memory), met
    here about, since loads and numbers of hearings fit no exact square.
    """
    anchors, conflicts = tuple(anchors), tuple(conflicts)
    _check_names(entries, judges, hearings, conflicts, anchors)
    assigned_entries = [entry for entry in entries if entry not in set(anchors)]
    allowed = _allowed(assigned_entries, judges, conflicts)
    _check_demand(assigned_entries, judges, hearings, allowed, conflicts, anchors)

    chosen = _linked_choice(allowed, hearings, linked_already=bool(anchors), seed=seed)
    if chosen is None:
        raise Infeasible(
            f"No plan was found that links all {len(judges)} judges through common entries: the conflicts "
            "keep groups of them apart. Name an anchor that every judge hears, or ask for more hearings."
        )
    order = _orders(chosen, assigned_entries, judges, anchors, seed)
    return _plan(order, anchors, hearings, has_conflicts=bool(conflicts))


def assign_to_everybody(
    entries: Sequence[str],
    judges: Sequence[str],
    *,
    conflicts: Iterable[tuple[str, str]] = (),
    anchors: Iterable[str] = (),
    seed: int = 0,
) -> Assignment:
    """Give every entry and every anchor to every judge who may hear it, each judge in an own random order.

    For a final: nobody can say that an entry met the wrong judges. Raises SheetsRefused as `assign_hearings`
    does, and Infeasible when nobody may hear an entry or conflicts leave judges without a common entry.
    """
    anchors, conflicts = tuple(anchors), tuple(conflicts)
    _check_names(entries, judges, 1, conflicts, anchors)
    everything = [*entries, *(anchor for anchor in anchors if anchor not in set(entries))]
    allowed = _allowed(everything, judges, conflicts)
    if unheard := [everything[number] for number in np.flatnonzero(~allowed.any(axis=1)).tolist()]:
        raise Infeasible(f"Every judge has a conflict with {_listed(unheard)}. Seat another judge.")
    order = _orders(allowed, everything, judges, (), seed)
    plan = _plan(order, anchors, len(judges), has_conflicts=bool(conflicts))
    if not plan.connected:
        raise Infeasible(
            "The conflicts leave judges without an entry that links them to the others. Seat another judge, "
            "or name an anchor that every judge may hear."
        )
    return plan


def with_repeats(plan: Assignment, repeats: int, *, seed: int = 0) -> Assignment:
    """The plan with `repeats` hidden repeats a judge: so many own entries come a second time, at a distance.

    A repeat comes `REPEAT_DISTANCE` positions after the first hearing or later, and no entry comes a third
    time. Which entries and where depends on the seed and on that judge's name and entries only. A list that
    is too short takes fewer, and a note says so. Raises SheetsRefused for a negative number.
    """
    if repeats < 0:
        raise SheetsRefused(["The number of hidden repeats is 0 or more."])
    order = {judge: _repeated(entries, judge, repeats, seed) for judge, entries in plan.order.items()}
    short = [judge for judge in order if len(order[judge]) < len(plan.order[judge]) + repeats]
    notes = plan.notes
    if short:
        notes += (
            f"A repeat has to come at least {REPEAT_DISTANCE} mixes after the first hearing; the lists of "
            f"{_listed(short)} are too short for {repeats}.",
        )
    return dataclasses.replace(plan, order=order, notes=notes)


def _repeated(entries: Sequence[str], judge: str, repeats: int, seed: int) -> tuple[str, ...]:
    order = list(entries)
    draw = Random(f"{seed} {judge} repeats")
    for entry in draw.sample(order, len(order)):
        if len(order) == len(entries) + repeats:
            break
        # Putting something in never brings an earlier pair closer together.
        nearest = order.index(entry) + REPEAT_DISTANCE
        if nearest <= len(order):
            order.insert(draw.randint(nearest, len(order)), entry)
    return tuple(order)


def top_up(
    order: Mapping[str, Sequence[str]],
    wanted: Iterable[str],
    *,
    conflicts: Collection[tuple[str, str]] = (),
    seed: object = 0,
) -> dict[str, list[str]]:
    """The orders with one more hearing for each time that an entry is `wanted`, at their ends.

    Each goes to a permitted judge who does not have the entry yet, the one with the least load; among equals
    the seed draws. Nothing else moves. Raises Infeasible when an entry has nobody left to go to.
    """
    orders = {judge: list(entries) for judge, entries in order.items()}
    draw = Random(str(seed))
    for entry in wanted:
        free = [judge for judge in orders if entry not in orders[judge] and (judge, entry) not in conflicts]
        if not free:
            raise Infeasible(f"No other judge may hear entry {entry}.")
        least = min(len(orders[judge]) for judge in free)
        orders[draw.choice([judge for judge in free if len(orders[judge]) == least])].append(entry)
    return orders


def _check_names(
    entries: Sequence[str],
    judges: Sequence[str],
    hearings: int,
    conflicts: Collection[tuple[str, str]],
    anchors: Collection[str],
) -> None:
    problems = []
    for kind, names in (("entry", entries), ("judge", judges), ("anchor", anchors)):
        problems += [f"The {kind} {name} is listed twice." for name, n in Counter(names).items() if n > 1]
    if not entries:
        problems.append("There are no entries to assign.")
    if not judges:
        problems.append("There are no judges.")
    if hearings < 1:
        problems.append("Every entry needs at least one hearing.")
    known_judges, known_entries = set(judges), {*entries, *anchors}
    # A mistyped conflict would silently let the two meet.
    for judge, entry in conflicts:
        if judge not in known_judges:
            problems.append(f"A conflict names the judge {judge}, who is not on the list of judges.")
        if entry not in known_entries:
            problems.append(f"A conflict names the entry {entry}, which is not on the list of entries.")
    if problems:
        raise SheetsRefused(problems)


def _check_demand(
    entries: Sequence[str],
    judges: Sequence[str],
    hearings: int,
    allowed: Grid,
    conflicts: Collection[tuple[str, str]],
    anchors: Collection[str],
) -> None:
    """Raise Infeasible, with the reason, where counting alone shows that no plan exists."""
    n_judges = len(judges)
    for judge, entry in conflicts:
        if entry in anchors:
            raise Infeasible(
                f"Every judge hears an anchor, but {judge} has a conflict with {entry}. "
                "Choose another anchor."
            )
    if hearings > n_judges and entries:
        raise Infeasible(f"{hearings} hearings an entry need {hearings} judges; there are {n_judges}.")
    short = [entries[number] for number in np.flatnonzero(allowed.sum(axis=1) < hearings).tolist()]
    if short:
        raise Infeasible(
            f"Too few judges without a conflict for {_listed(short)}: {hearings} are needed for each. "
            "Add judges or ask for fewer hearings."
        )
    if anchors or n_judges == 1:
        return
    # A connected graph of entries and judges needs one hearing less than it has of both together.
    linked_at_most = len(entries) * (hearings - 1) + 1
    if linked_at_most < n_judges:
        raise Infeasible(
            f"{len(entries)} entries with {hearings} {'hearing' if hearings == 1 else 'hearings'} each can "
            f"link at most {linked_at_most} of the {n_judges} judges through common entries, and severity "
            "could not be told from quality. Ask for more hearings, fewer judges, or name an anchor that "
            "every judge hears."
        )
    count, label = _components(allowed)
    if count > 1:
        groups = [[judges[number] for number in np.flatnonzero(label == g).tolist()] for g in range(count)]
        raise Infeasible(
            "The conflicts split the panel into groups of judges who may not hear any common entry: "
            + "; ".join(_listed(group) for group in groups)
            + ". Name an anchor that every judge hears."
        )


def _allowed(entries: Sequence[str], judges: Sequence[str], conflicts: Iterable[tuple[str, str]]) -> Grid:
    """Who may hear what, shape (n_entries, n_judges); conflicts with other entries are passed over."""
    judge_number = {name: number for number, name in enumerate(judges)}
    entry_number = {name: number for number, name in enumerate(entries)}
    allowed: Grid = np.ones((len(entries), len(judges)), dtype=bool)
    for judge, entry in conflicts:
        if entry in entry_number:
            allowed[entry_number[entry], judge_number[judge]] = False
    return allowed


def _orders(
    chosen: Grid, entries: Sequence[str], judges: Sequence[str], anchors: Sequence[str], seed: int
) -> dict[str, tuple[str, ...]]:
    """Each judge's own random order of the chosen entries and of all anchors, balanced over positions.

    The judges of an entry get it in different parts of their lists: with three judges one hears it early, one
    in the middle, one late. For that the time of a list is cut into as many parts as the entry has judges;
    who gets which part is drawn so that the parts fill up evenly, and so is the moment within the part.
    """
    draw = Random(f"{seed} positions")
    heard_by = {entries[at]: np.flatnonzero(chosen[at]).tolist() for at in range(len(entries))}
    heard_by |= {anchor: list(range(len(judges))) for anchor in anchors}
    moments: list[list[tuple[float, str]]] = [[] for _ in judges]
    taken: dict[int, Floats] = {}
    # Sorted before they are shuffled: neither a place in the list nor a time of upload may decide.
    names = sorted(heard_by)
    draw.shuffle(names)
    for name in names:
        panel = heard_by[name]
        parts = len(panel)
        filled = taken.setdefault(parts, np.zeros((len(judges), parts)))
        luck = np.array([[draw.random() for _ in panel] for _ in panel])
        at, part = optimize.linear_sum_assignment(filled[panel] + luck)
        for judge, own in zip(np.array(panel, dtype=np.intp)[at].tolist(), part.tolist(), strict=True):
            filled[judge, own] += 1
            moments[judge].append(((own + draw.random()) / parts, name))
    return {judge: tuple(name for _, name in sorted(own)) for judge, own in zip(judges, moments, strict=True)}


def _linked_choice(allowed: Grid, hearings: int, *, linked_already: bool, seed: int) -> Grid | None:
    """Which judge hears which entry, levelled and in one component; None when no attempt gets there."""
    for attempt in range(ATTEMPTS):
        rng = np.random.default_rng([seed % 2**64, attempt])
        chosen = _greedy(allowed, hearings, rng)
        _level(chosen, allowed)
        if linked_already or _link(chosen, allowed, rng):
            return chosen
    return None


def _greedy(allowed: Grid, hearings: int, rng: np.random.Generator) -> Grid:
    n_entries, n_judges = allowed.shape
    chosen: Grid = np.zeros_like(allowed)
    load, meetings = np.zeros(n_judges), np.zeros((n_judges, n_judges))
    order = rng.permutation(n_entries)
    for entry in order[np.argsort(allowed[order].sum(axis=1), kind="stable")]:
        panel: list[int] = []
        cost = load + rng.random(n_judges)
        cost[~allowed[entry]] = np.inf
        for _ in range(hearings):
            judge = int(np.argmin(cost))
            cost += MEETING_WEIGHT * meetings[judge]
            cost[judge] = np.inf
            panel.append(judge)
        chosen[entry, panel] = True
        load[panel] += 1
        meetings[np.ix_(panel, panel)] += 1
    return chosen


def _level(chosen: Grid, allowed: Grid) -> None:
    """Move hearings from loaded to less loaded judges, through others where needed, until no move helps."""
    while True:
        load = chosen.sum(axis=0)
        # From judge a to judge b: the number of entries that a has and b may take over.
        can_pass = chosen.T.astype(np.int64) @ (allowed & ~chosen).astype(np.int64) > 0
        chain = next((c for a in np.argsort(-load) if (c := _chain(int(a), load, can_pass))), None)
        if chain is None:
            return
        for giver, taker in pairwise(chain):
            entry = int(np.flatnonzero(chosen[:, giver] & allowed[:, taker] & ~chosen[:, taker])[0])
            chosen[entry, giver], chosen[entry, taker] = False, True


def _chain(start: int, load: Indices, can_pass: Grid) -> list[int] | None:
    """The shortest chain of hand-overs from `start` to a judge with at least 2 hearings less, or None."""
    came_from = {start: start}
    frontier = [start]
    while frontier:
        reached = []
        for giver in frontier:
            for taker in np.flatnonzero(can_pass[giver]).tolist():
                if taker in came_from:
                    continue
                came_from[taker] = giver
                if load[taker] <= load[start] - 2:
                    chain = [taker]
                    while chain[-1] != start:
                        chain.append(came_from[chain[-1]])
                    return chain[::-1]
                reached.append(taker)
        frontier = reached
    return None


def _link(chosen: Grid, allowed: Grid, rng: np.random.Generator) -> bool:
    """Join separate groups by exchanging the judges of two hearings, which changes no load; True if it works.

    Exchanging a hearing of a group that stays whole without it for any hearing of another group always joins
    the two: so random tries soon find such a pair, unless conflicts forbid it.
    """
    count, label = _components(chosen)
    while count > 1:
        for _ in range(SWAPS_TRIED):
            places = np.argwhere(chosen)
            (entry, judge), (other_entry, other_judge) = places[rng.integers(len(places), size=2)]
            if label[judge] == label[other_judge]:
                continue
            if not (allowed[entry, other_judge] and allowed[other_entry, judge]):
                continue
            rows, columns = [entry, other_entry], [judge, other_judge]
            before = chosen[np.ix_(rows, columns)].copy()
            chosen[np.ix_(rows, columns)] = ~before
            new_count, new_label = _components(chosen)
            if new_count < count:
                count, label = new_count, new_label
                break
            chosen[np.ix_(rows, columns)] = before
        else:
            return False
    return True


def _components(chosen: Grid) -> tuple[int, Indices]:
    """Number of groups of judges joined by common entries, and each judge's; idle judges stand alone."""
    n_entries, n_judges = chosen.shape
    entry, judge = np.nonzero(chosen)
    n_nodes = n_entries + n_judges
    links = coo_array(
        (np.ones(entry.size, dtype=np.int8), (entry, n_entries + judge)), shape=(n_nodes, n_nodes)
    )
    _, label = connected_components(links, directed=False)
    groups, of_judge = np.unique(np.array(label[n_entries:], dtype=np.intp), return_inverse=True)
    return groups.size, of_judge


def _plan(
    order: Mapping[str, tuple[str, ...]], anchors: tuple[str, ...], hearings: int, *, has_conflicts: bool
) -> Assignment:
    names = sorted({entry for entries in order.values() for entry in entries})
    number = {name: at for at, name in enumerate(names)}
    heard: Grid = np.zeros((len(names), len(order)), dtype=bool)
    for judge, entries in enumerate(order.values()):
        heard[[number[entry] for entry in entries], judge] = True
    count, _ = _components(heard)
    strength = _strength(heard) if len(order) > 1 else None
    ideal = _ideal_strength(hearings, len(order)) if len(order) > 1 else None
    notes = []
    loads = [len(entries) for entries in order.values()]
    if max(loads) - min(loads) > (2 if has_conflicts else 1):
        notes.append(f"The conflicts leave the loads uneven: {min(loads)} to {max(loads)} hearings a judge.")
    if strength is not None and ideal is not None and strength < WEAK_SHARE * ideal:
        notes.append(
            "The judges are linked by few common entries: severities will be uncertain. More hearings or an "
            "anchor that every judge hears would help."
        )
    return Assignment(order, anchors, count == 1, strength, ideal, tuple(notes))


def _strength(heard: Grid) -> float:
    """Second smallest eigenvalue of the reduced judge matrix normalised by loads; 0 with an idle judge."""
    load = heard.sum(axis=0)
    if not load.all():
        return 0.0
    scale = 1.0 / np.sqrt(load)
    matrix = reduced_judge_matrix(heard.astype(np.float64)) * np.outer(scale, scale)
    return max(float(linalg.eigvalsh(matrix)[1]), 0.0)


def _ideal_strength(hearings: int, n_judges: int) -> float:
    """The strength of a balanced incomplete block design: `(k − 1)/k · J/(J − 1)`."""
    return (hearings - 1) / hearings * n_judges / (n_judges - 1)


def _listed(names: Sequence[str]) -> str:
    shown = ", ".join(names[:NAMES_SHOWN])
    return f"{shown} and {len(names) - NAMES_SHOWN} more" if len(names) > NAMES_SHOWN else shown
