"""Edges on their way along a long line: each controller sees of the others what they sent some time ago."""

from __future__ import annotations

from simulator.kernels.jit import compiled
from simulator.kernels.layout import Ints

#: Columns of a node: whether it drives, the mask of those that it sees driving, where its newest edge stands; the
#: instant looked at last and the longest delay, in the first row only; then when its latest edges left, in ps.
DRIVES, VIEW, NEWEST, DONE_PS, LONGEST_PS, EDGES = range(6)
#: Edges kept of each node; those of so many bits before have arrived everywhere.
MOST_EDGES = 64
NEVER_PS = 1 << 62
#: Before everything.
LONG_AGO_PS = -(1 << 60)


@compiled
def send_edges(flight: Ints, drive: int, t_ps: int) -> bool:
    """Keep the edges that leave now that this set drives; whether there are any."""
    found = False
    for n in range(flight.shape[0]):
        now = drive >> n & 1
        if now != flight[n, DRIVES]:
            k = flight[n, NEWEST] + 1 if flight[n, NEWEST] + 1 < MOST_EDGES else 0
            flight[n, DRIVES], flight[n, NEWEST] = now, k
            flight[n, EDGES + k] = t_ps
            found = True
    return found


@compiled
def see_edges(flight: Ints, delays: Ints, t_ps: int) -> None:
    """Put into everybody's view whom it sees driving; ``delays`` (from, to) in ps."""
    flight[0, DONE_PS] = t_ps
    for n in range(flight.shape[0]):
        view = 0
        for m in range(flight.shape[0]):
            level, k = flight[m, DRIVES], flight[m, NEWEST]
            for _ in range(MOST_EDGES):
                if flight[m, EDGES + k] + delays[m, n] <= t_ps:
                    break
                level = 1 - level
                k = k - 1 if k else MOST_EDGES - 1
            view |= level << m
        flight[n, VIEW] = view


@compiled
def next_arrival_ps(flight: Ints, delays: Ints) -> int:
    """When the next edge arrives somewhere; NEVER_PS: none is on its way."""
    soonest_ps = NEVER_PS
    if flight.shape[0] == 0:
        return soonest_ps
    done_ps, longest_ps = flight[0, DONE_PS], flight[0, LONGEST_PS]
    for m in range(flight.shape[0]):
        k = flight[m, NEWEST]
        for _ in range(MOST_EDGES):
            left_ps = flight[m, EDGES + k]
            if left_ps + longest_ps <= done_ps:
                break
            for n in range(flight.shape[0]):
                arrival_ps = left_ps + delays[m, n]
                if done_ps < arrival_ps < soonest_ps:
                    soonest_ps = arrival_ps
            k = k - 1 if k else MOST_EDGES - 1
    return soonest_ps
