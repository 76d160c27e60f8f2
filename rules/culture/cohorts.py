"""Batches of animals as a fold over acts: where they live, how many there should be, what does not add up.

Every act is taken in, also one that a later correction leaves without ground: then a balance goes below
nought and shows it. What is counted never silently overwrites what was expected; the difference is a rest.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

from rules.culture.acts import SURENESS, Act, How, What

_NONE = 1e-9


@dataclass(frozen=True, slots=True)
class Stock:
    """How many animals there should be, with the variance of that and the least sure way it is known by."""

    number: float = 0.0
    variance: float = 0.0
    how: How = How.COUNTED

    @property
    def interval(self) -> tuple[float, float] | None:
        """Return between what the number is (95 %, normal); None where anything in it is a guess."""
        off = 1.96 * math.sqrt(self.variance)
        return None if self.how is How.GUESSED else (max(self.number - off, 0.0), self.number + off)

    def and_also(self, more: "Stock", sign: int = 1) -> "Stock":
        """Return the stock with another one added, or taken away."""
        how = max(self.how, more.how, key=SURENESS.index)
        return Stock(self.number + sign * more.number, self.variance + more.variance, how)


@dataclass(frozen=True, slots=True)
class Rest:
    """What a count found beside what was expected, or what became of animals at a change of stage."""

    at_ms: int
    vessel: str
    expected: Stock
    found: Stock
    at: str

    @property
    def number(self) -> float:
        """Return how many more there were than expected; below nought: how many are missing."""
        return self.found.number - self.expected.number


@dataclass(slots=True)
class Stay:
    """From when to when (None: still) a batch lived in a vessel."""

    vessel: str
    from_ms: int
    to_ms: int | None = None


@dataclass(slots=True)
class Cohort:
    """A batch of animals; the numbers are sums over its life, `came` with those it began with.

    `changes` are its stages with when each began, `released` its young by when, `discs` the discs of polyps.
    """

    code: str
    began_ms: int
    stage: str
    lineage: str = "unknown"
    born_ms: int | None = None
    parents: tuple[str, ...] = ()
    origin: str = ""
    stocks: dict[str, Stock] = field(default_factory=dict)
    came: Stock = field(default_factory=Stock)
    left: Stock = field(default_factory=Stock)
    died: Stock = field(default_factory=Stock)
    causes: dict[str, float] = field(default_factory=dict)
    rests: list[Rest] = field(default_factory=list)
    stays: list[Stay] = field(default_factory=list)
    changes: list[tuple[int, str]] = field(default_factory=list)
    released: list[tuple[int, float]] = field(default_factory=list)
    discs: list[tuple[int, float]] = field(default_factory=list)

    @property
    def now(self) -> Stock:
        """Return how many there should be in all vessels together."""
        total = Stock()
        for stock in self.stocks.values():
            total = total.and_also(stock)
        return total

    @property
    def vessels(self) -> list[str]:
        """Return where it lives."""
        return [stay.vessel for stay in self.stays if stay.to_ms is None]

    def since_ms(self, stage: str) -> int | None:
        """Return when it came to a stage last; None where it never did."""
        return max((at_ms for at_ms, its in self.changes if its == stage), default=None)

    def _set(self, vessel: str, stock: Stock, at_ms: int) -> None:
        """Keep a stock, and open or end the stay that goes with it."""
        self.stocks[vessel] = stock
        lives = vessel in self.vessels
        if stock.number > _NONE and not lives:
            self.stays.append(Stay(vessel, at_ms))
        elif stock.number <= _NONE and lives:
            next(stay for stay in self.stays if stay.vessel == vessel and stay.to_ms is None).to_ms = at_ms

    def arrive(self, vessel: str, stock: Stock, at_ms: int) -> None:
        """Put animals into a vessel."""
        self._set(vessel, self.stocks.get(vessel, Stock()).and_also(stock), at_ms)

    def take(self, act: Act) -> Stock:
        """Take the animals of an act out of its vessel, and return them.

        Of a share nobody counts how many go: animals that are well mixed go by chance, so that both parts
        have the binomial variance.
        """
        there = self.stocks.get(act.vessel, Stock())
        if act.value is not None:
            some = Stock(act.value, act.sd**2, act.how)
            rest = there.and_also(some, -1)
        else:
            share = 1.0 if act.share is None else act.share
            chance = max(there.number, 0.0) * share * (1 - share)
            how = there.how if share == 1 else max(there.how, How.SAMPLED, key=SURENESS.index)
            some = Stock(there.number * share, there.variance * share**2 + chance, how)
            rest = Stock(there.number * (1 - share), there.variance * (1 - share) ** 2 + chance, how)
        self._set(act.vessel, rest, act.at_ms)
        return some

    def count(self, act: Act, at: str) -> None:
        """Let what was counted in a vessel stand; the rest is kept."""
        found = _stated(act)
        self.rests.append(Rest(act.at_ms, act.vessel, self.stocks.get(act.vessel, Stock()), found, at))
        self._set(act.vessel, found, act.at_ms)


@dataclass(slots=True)
class Culture:
    """All batches by code; `unplaced` are numbers of acts about a batch that there is not."""

    cohorts: dict[str, Cohort] = field(default_factory=dict)
    newest_ms: int = 0
    unplaced: list[int] = field(default_factory=list)

    def do(self, act: Act) -> None:
        """Take an act in; acts come in the order in which they were done."""
        self.newest_ms = max(self.newest_ms, act.at_ms)
        if act.what is What.WITHDRAWN:
            return
        if act.what is What.BEGIN:
            self._begin(act)
        elif act.cohort not in self.cohorts:
            self.unplaced.append(act.number)
        else:
            _DOES[act.what](self, self.cohorts[act.cohort], act)

    def _begin(self, act: Act) -> None:
        known = self.cohorts.get(act.cohort) or self._new(
            act.cohort, act, act.stage, act.lineage, act.parents, act.origin, act.born_ms
        )
        known.came = known.came.and_also(_stated(act))
        known.arrive(act.vessel, _stated(act), act.at_ms)

    def _new(
        self,
        code: str,
        act: Act,
        stage: str,
        lineage: str,
        parents: tuple[str, ...],
        origin: str = "",
        born_ms: int | None = None,
    ) -> Cohort:
        made = Cohort(code, act.at_ms, stage, lineage, born_ms, (), origin, changes=[(act.at_ms, stage)])
        for parent in parents:
            self._add_parent(made, parent)
        self.cohorts[code] = made
        return made

    def _add_parent(self, of: Cohort, parent: str) -> None:
        """Add a parent, or where animals of `of` come back in it, its ancestors that have none of them.

        So no batch is ever its own ancestor.
        """
        left = [parent]
        for each in left:
            if of.code in self.ancestors(each):
                left += [it for it in self.cohorts[each].parents if it not in left]
            elif each not in (of.code, *of.parents):
                of.parents = (*of.parents, each)

    def ancestors(self, code: str) -> set[str]:
        """Return from which batches one comes, through however many."""
        found, left = set[str](), [code]
        while left:
            known = self.cohorts.get(left.pop())
            new = set(known.parents) - found if known else set()
            found |= new
            left += new
        return found

    def _into(self, of: Cohort, act: Act, born_ms: int | None) -> Cohort:
        """Return the batch that animals of another join, made where there is none."""
        stage = act.stage or of.stage
        found = self.cohorts.get(act.into)
        if found is None:
            return self._new(act.into, act, stage, of.lineage, (of.code,), born_ms=born_ms)
        if not found.vessels and found.stage != stage:  # none were left: it is now what comes
            found.stage = stage
            found.changes.append((act.at_ms, stage))
        self._add_parent(found, of.code)
        return found

    def _count(self, of: Cohort, act: Act) -> None:
        of.count(act, "count")

    def _move(self, of: Cohort, act: Act) -> None:
        of.arrive(act.target, of.take(act), act.at_ms)

    def _part(self, of: Cohort, act: Act) -> None:
        """Split some off, or merge all: they leave one batch and come to another."""
        some = of.take(act)
        of.left = of.left.and_also(some)
        to = self._into(of, act, of.born_ms)
        to.came = to.came.and_also(some)
        to.arrive(act.target, some, act.at_ms)

    def _young(self, of: Cohort, act: Act) -> None:
        of.released.append((act.at_ms, act.value or 0.0))
        to = self._into(of, act, act.at_ms)
        to.came = to.came.and_also(_stated(act))
        to.arrive(act.target, _stated(act), act.at_ms)

    def _stage(self, of: Cohort, act: Act) -> None:
        if act.value is not None:
            of.count(act, f"{of.stage} to {act.stage}")
        of.stage = act.stage
        of.changes.append((act.at_ms, act.stage))

    def _died(self, of: Cohort, act: Act) -> None:
        some = of.take(act)
        of.died = of.died.and_also(some)
        cause = act.cause or "unknown"
        of.causes[cause] = of.causes.get(cause, 0.0) + some.number

    def _left(self, of: Cohort, act: Act) -> None:
        of.left = of.left.and_also(of.take(act))

    def _discs(self, of: Cohort, act: Act) -> None:
        of.discs += [(act.at_ms, each) for each in act.values]


_DOES = {
    What.COUNT: Culture._count,
    What.MOVE: Culture._move,
    What.SPLIT: Culture._part,
    What.MERGE: Culture._part,
    What.YOUNG: Culture._young,
    What.STAGE: Culture._stage,
    What.DIED: Culture._died,
    What.LEFT: Culture._left,
    What.DISCS: Culture._discs,
}


def _stated(act: Act) -> Stock:
    return Stock(act.value or 0.0, act.sd**2, act.how)


def in_order(acts: Iterable[Act]) -> list[Act]:
    """Return acts in the order in which they were done."""
    return sorted(acts, key=lambda it: (it.at_ms, it.number))


def culture_of(acts: Iterable[Act]) -> Culture:
    """Return what acts, in any order, come to."""
    culture = Culture()
    for act in in_order(acts):
        culture.do(act)
    return culture


def below_nought(acts: Iterable[Act]) -> dict[Act, float]:
    """Return the acts that left fewer than none in their vessel, beyond all error, with the balance."""
    culture, found = Culture(), dict[Act, float]()
    for act in in_order(acts):
        culture.do(act)
        of = culture.cohorts.get(act.cohort)
        stock = of.stocks.get(act.vessel) if of else None
        if stock and stock.interval and stock.interval[1] < -_NONE:
            found[act] = stock.number
    return found
