"""Logs of an axis, how many stated 95 % intervals cover: ``python -m tests.bench.logs [DRAWS]`` (50; ten minutes).

Six kinds of drive, four sensors at 200 Hz to 2 kHz, on a dc motor that is integrated by code of its own; then
the prediction of other waveforms by what a chirp and a stair told, over that by the true constants.
"""

import json
import sys

import numpy as np

from sim.identify.axis import predict
from sim.identify.axis.axis_fit import NAMES, AxisFit, fit_axis
from tests.identify.axis_logs import KINDS, TRUE, axis_log, covered

CELLS = ((200, "12bit"), (500, "encoder"), (1000, "12bit"), (2000, "encoder"))


def coverage(draws):
    """Covered intervals by kind and sensor: of so many draws, by term."""
    rows, every = {}, []
    for kind in KINDS:
        for rate, sensor in CELLS:
            hits = []
            for seed in range(draws):
                stretch, true = axis_log(kind, rate, sensor, seed)
                found = fit_axis([stretch])
                hits.append(covered(found, true))
            hits = np.array(hits)
            every.append(hits)
            rows[f"{kind}, {sensor} at {rate} Hz"] = dict(
                zip(found.names, hits.sum(axis=0).tolist(), strict=True)
            )
            print(
                kind, rate, sensor, rows[f"{kind}, {sensor} at {rate} Hz"], "of", draws, flush=True
            )
    terms = {name: [] for name in TRUE}
    for hits in every:
        for k, name in enumerate(list(TRUE)[: hits.shape[1]]):
            terms[name] += hits[:, k].tolist()
    return {"pooled": {name: float(np.mean(one)) for name, one in terms.items()},
            "worst_cell": min(min(row.values()) for row in rows.values()), "draws": draws}  # fmt: skip


def predictions():
    """Normalised rms of unseen waveforms over that by the true constants, worst of all."""
    ratios = []
    truth = AxisFit(list(TRUE), np.array(list(TRUE.values())), np.zeros((4, 4)), 30, 0, 0.0, 0.0)
    for kind in ("chirp", "stair"):
        for rate, sensor in CELLS:
            found = fit_axis([axis_log(kind, rate, sensor, 1)[0]])
            for other in KINDS:
                unseen = [axis_log(other, rate, sensor, 2)[0]]
                own, best = (
                    predict.predict(one, unseen, False).free_share for one in (found, truth)
                )
                ratios.append(own / best)
    return {"median": float(np.median(ratios)), "worst": float(np.max(ratios))}


def main():
    """Measure and print as JSON."""
    draws = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    assert list(NAMES[:4]) == list(TRUE)
    print(json.dumps({"intervals": coverage(draws), "prediction": predictions()}, indent=2))


if __name__ == "__main__":
    main()
