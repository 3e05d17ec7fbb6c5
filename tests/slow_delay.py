"""The sums behind a mixture's delay, and averages of readings, as they are defined: what the fast ways are held to."""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from analysis.arrays import Floats, usual_step
from analysis.mixture.delay import BLOCK_S, LOAD_KNOTS, MAX_BLOCKS, SHIFTS, SLIP_MPS, SMOOTH_S
from analysis.mixture.engine_load import GRID_S, Driving


def slow_sums(time: Floats, value: Floats, state: Driving, load: Floats, lags_s: Floats) -> tuple[Floats, ...]:
    """`delay._sums`, block by block and row by row: X'X, X'Y and Y'Y, when each block begins, and seconds in all."""
    grid, n = state.time_s, len(state.time_s)
    half = max(SMOOTH_S, 1.6 * usual_step(time))
    y, known = slow_averaged(time, value, grid, half)
    usable = np.isfinite(load) & (np.nan_to_num(state.speed_mps) > SLIP_MPS)
    memory = round(1.5 / GRID_S)
    index = np.array([
        i for i in range(memory, n)
        if i + SHIFTS[0] >= 0 and i + SHIFTS[-1] < n
        and known[i + SHIFTS[0] : i + SHIFTS[-1] + 1].all() and usable[i - memory + 1 : i + 1].all()
    ])  # fmt: skip
    basis = _table(state.speed_mps, load)
    basis[~usable] = 0.0
    basis = basis[:, basis[index].sum(axis=0) * GRID_S > 0.5]
    reach = int(half / GRID_S)
    weights = np.maximum(1 - (np.arange(-reach, reach + 1) * GRID_S / half) ** 2, 0) + 1e-9
    padded = np.pad(basis, ((reach, reach), (0, 0)), "edge")
    basis = sum(w * padded[k : k + n] for k, w in enumerate(weights / weights.sum()))
    y = y - y[index].mean()
    length = max(BLOCK_S, len(index) * GRID_S / MAX_BLOCKS)
    blocks = [list(some) for _, some in itertools.groupby(index.tolist(), lambda i: int(i * (GRID_S / length)))]
    xx, xy, yy = [], [], []
    for block in blocks:
        shown = [_lagged(basis, float(lag))[block] for lag in lags_s]
        ys = np.array([y[i + SHIFTS] for i in block])
        xx.append([x.T @ x for x in shown])
        xy.append([x.T @ ys for x in shown])
        yy.append(np.square(ys).sum(axis=0))
    begin = grid[[block[0] for block in blocks]]
    return np.array(xx), np.array(xy), np.array(yy), begin, np.array(len(index) * GRID_S)


def _lagged(x: Floats, lag_s: float) -> Floats:
    if lag_s <= 0:
        return x
    keep = np.exp(-GRID_S / lag_s)
    share = (1 - keep) * lag_s / GRID_S
    return np.asarray(lfilter([1 - share, share - keep], [1.0, -keep], x, axis=0))


def _table(speed: Floats, load: Floats) -> Floats:
    top = max(float(np.nanquantile(speed, 0.99)), SLIP_MPS + 2)
    by_speed, by_load = _hats(speed, np.linspace(SLIP_MPS, top, 4)), _hats(load, LOAD_KNOTS)
    return (by_speed[:, :, None] * by_load[:, None, :]).reshape(len(speed), -1)


def _hats(x: Floats, knots: Floats) -> Floats:
    x = np.clip(np.nan_to_num(x), knots[0], knots[-1])
    i = np.clip(np.searchsorted(knots, x) - 1, 0, len(knots) - 2)
    part = (x - knots[i]) / (knots[i + 1] - knots[i])
    out = np.zeros((len(x), len(knots)))
    row = np.arange(len(x))
    out[row, i] = 1 - part
    out[row, i + 1] += part
    return out


def slow_averaged(t: Floats, x: Floats, grid: Floats, half: float) -> tuple[Floats, NDArray[np.bool_]]:
    """`delay.averaged`, one grid time after the other."""
    good = np.isfinite(x) & np.isfinite(t)
    t, x = t[good], x[good]
    usual, average, known = usual_step(t), np.zeros(len(grid)), np.zeros(len(grid), dtype=np.bool_)
    for k, at in enumerate(grid.tolist()):
        here = slice(*np.searchsorted(t, [at - half, at + half]).tolist())
        weight = 1 - ((t[here] - at) / half) ** 2
        known[k] = len(weight) >= max(2.0, half / usual) and weight.sum() > 0.3
        average[k] = (weight * x[here]).sum() / weight.sum() if known[k] else np.nan
    return average, known
