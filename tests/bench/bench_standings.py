"""How well standings find the truth: simulated contests, adjusted against raw mean on the very same scores.

Run by hand: `.venv/bin/python -m tests.bench.bench_standings [CONTESTS]` (default 500: two minutes of one
core). A contest has entries of known quality (sd 1), judges of known severity (sd 0.8) and an error a
hearing (sd 0.7), on a scale of 0 to 10 in steps of 0.1 about 6.5; 60 entries, 12 judges, 3 hearings each,
assigned by the tool itself. These sds are assumptions, not field data, and the thresholds come from another
implementation of the same model with the same sds. Exit status 1 when a threshold is missed.
"""

import sys
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.stats import kendalltau
from scipy.stats import t as t_distribution

from contests.scoring.assigning import assign_hearings
from contests.scoring.severity import Hearings, SeverityFit, fit_severity
from contests.scoring.simultaneous import could_be_first, tied_with_first

Floats = NDArray[np.float64]

ENTRIES, JUDGES, HEARINGS = 60, 12, 3
QUALITY_SD, ERROR_SD, CENTRE = 1.0, 0.7, 6.5
PODIUM = 3


@dataclass
class Tally:
    """What was found over the contests of one scenario, one value a contest."""

    tau: dict[str, list[float]] = field(default_factory=lambda: {"raw mean": [], "adjusted": []})
    best_on_podium: dict[str, list[float]] = field(default_factory=lambda: {"raw mean": [], "adjusted": []})
    best_is_first: dict[str, list[float]] = field(default_factory=lambda: {"raw mean": [], "adjusted": []})
    podium_overlap: dict[str, list[float]] = field(default_factory=lambda: {"raw mean": [], "adjusted": []})
    severity_error: list[float] = field(default_factory=list)
    covered: list[float] = field(default_factory=list)
    best_tied: list[float] = field(default_factory=list)
    best_possible: list[float] = field(default_factory=list)
    share_possible: list[float] = field(default_factory=list)


def balanced(seed: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Entry and judge of each hearing, from the tool's own assignment."""
    plan = assign_hearings(
        [str(n) for n in range(ENTRIES)], [str(n) for n in range(JUDGES)], hearings=HEARINGS, seed=seed
    )
    pairs = [(int(entry), int(judge)) for judge, heard in plan.order.items() for entry in heard]
    entry, judge = np.array(sorted(pairs), dtype=np.intp).T
    return entry, judge


def linked_pools(
    quality: Floats, severity: Floats, rng: np.random.Generator
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """The hardest connected case: strong entries go to the severe half of the judges; a fifth links them."""
    strict, mild = np.array_split(np.argsort(severity), 2)
    links = set(rng.choice(ENTRIES, ENTRIES // 5, replace=False).tolist())
    strong = set(np.argsort(-quality)[: ENTRIES // 2].tolist())
    pairs = []
    for entry in range(ENTRIES):
        pool = np.arange(JUDGES) if entry in links else strict if entry in strong else mild
        pairs += [(entry, int(judge)) for judge in rng.choice(pool, HEARINGS, replace=False)]
    entry_index, judge_index = np.array(pairs, dtype=np.intp).T
    return entry_index, judge_index


def simulate(
    contests: int, *, severity_sd: float = 0.8, quality_sd: float = QUALITY_SD, pools: bool = False
) -> Tally:
    """Run contests with seeds 0, 1, 2, …; unconnected draws (only possible with pools) are passed over."""
    tally = Tally()
    for seed in range(contests):
        rng = np.random.default_rng(seed)
        quality = rng.normal(0, quality_sd, ENTRIES)
        severity = rng.normal(0, severity_sd, JUDGES)
        entry, judge = linked_pools(quality, severity, rng) if pools else balanced(seed)
        scores = CENTRE + quality[entry] + severity[judge] + rng.normal(0, ERROR_SD, entry.size)
        scores = np.clip(np.round(scores, 1), 0, 10)
        heard = np.unique(judge, return_inverse=True)[1]
        hearings = Hearings(entry, heard, scores, ENTRIES, int(heard.max()) + 1)
        fit = fit_severity(hearings)
        if fit.connected and hearings.n_judges == JUDGES:
            _note(tally, quality, severity, hearings, fit, rng)
    return tally


def _note(
    tally: Tally,
    quality: Floats,
    severity: Floats,
    hearings: Hearings,
    fit: SeverityFit,
    rng: np.random.Generator,
) -> None:
    truth = np.argsort(-quality)
    for method, found in (("raw mean", hearings.mean_of_entry(hearings.total)), ("adjusted", fit.adjusted)):
        order = np.argsort(-found, kind="stable")
        tally.tau[method].append(float(kendalltau(found, quality).statistic))
        tally.best_on_podium[method].append(truth[0] in order[:PODIUM])
        tally.best_is_first[method].append(truth[0] == order[0])
        tally.podium_overlap[method].append(len({*order[:PODIUM]} & {*truth[:PODIUM]}) / PODIUM)
    tally.severity_error.append(
        float(np.sqrt(np.mean(np.square(fit.judge_effect - severity + severity.mean()))))
    )
    one, other = rng.choice(ENTRIES, 2, replace=False)
    assert fit.residual_sd is not None
    reach = float(t_distribution.ppf(0.975, fit.degrees_of_freedom)) * fit.residual_sd
    error = (fit.adjusted[one] - fit.adjusted[other]) - (quality[one] - quality[other])
    tally.covered.append(abs(error) <= reach * fit.unit_difference_sd(int(other))[one])
    tied, possible = tied_with_first(fit), could_be_first(fit)
    assert tied is not None
    assert possible is not None
    tally.best_tied.append(tied[truth[0]])
    tally.best_possible.append(possible[truth[0]])
    tally.share_possible.append(float(possible.mean()))


def show(name: str, tally: Tally) -> None:
    """One block of figures for one scenario."""
    print(f"{name}: {len(tally.covered)} contests")
    print("  method     tau   best in first 3   best is first   podium overlap")
    for method in ("raw mean", "adjusted"):
        found = (tally.tau, tally.best_on_podium, tally.best_is_first, tally.podium_overlap)
        figures = [float(np.mean(figure[method])) for figure in found]
        print("  {:9} {:.3f}             {:.3f}           {:.3f}            {:.3f}".format(method, *figures))
    print(
        f"  severity error {np.mean(tally.severity_error):.3f}, "
        f"95% intervals hold {np.mean(tally.covered):.3f}, "
        f"best is tied with first {np.mean(tally.best_tied):.3f}, "
        f"best could be first {np.mean(tally.best_possible):.3f} "
        f"(a set of {np.mean(tally.share_possible):.3f} of the field)"
    )


def main(contests: int) -> int:
    """Print every scenario and the thresholds; 1 when one is missed."""
    base, none, harsh = (simulate(contests, severity_sd=sd) for sd in (0.8, 0.0, 1.2))
    pools = simulate(contests, pools=True)
    equal = simulate(contests, quality_sd=0.0)
    for name, tally in (
        ("base case", base),
        ("no severity", none),
        ("severity sd 1.2", harsh),
        ("strong entries to severe judges, linked by a fifth", pools),
    ):
        show(name, tally)
    print(f"equal field: {np.mean(equal.share_possible):.3f} of all entries could be first")

    def mean(tally: Tally, figure: str, method: str = "adjusted") -> float:
        return float(np.mean(getattr(tally, figure)[method]))

    gain = {f: mean(base, f) - mean(base, f, "raw mean") for f in ("tau", "best_on_podium")}
    checks = {
        "tau at least .745": mean(base, "tau") >= 0.745,
        "tau at least raw + .06": gain["tau"] >= 0.06,
        "best in first three at least .83": mean(base, "best_on_podium") >= 0.83,
        "best in first three at least raw + .05": gain["best_on_podium"] >= 0.05,
        "podium overlap at least .61": mean(base, "podium_overlap") >= 0.61,
        "severity error at most .25": float(np.mean(base.severity_error)) <= 0.25,
        "intervals hold .93 to .97": 0.93 <= float(np.mean(base.covered)) <= 0.97,
        "no severity: tau loses at most .01": mean(none, "tau", "raw mean") - mean(none, "tau") <= 0.01,
        "severity 1.2: tau loses at most .01": mean(base, "tau") - mean(harsh, "tau") <= 0.01,
        "linked pools: tau at least .72": mean(pools, "tau") >= 0.72,
        "equal field: at least .90 could be first": float(np.mean(equal.share_possible)) >= 0.90,
    }
    for words, met in checks.items():
        print(f"{'met   ' if met else 'MISSED'} {words}")
    return 0 if all(checks.values()) else 1


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 500))
