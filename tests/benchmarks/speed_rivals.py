"""A general pitch tracker on the same recordings; run: python -m tests.benchmarks.speed_rivals.

librosa's pYIN (Mauch & Dixon 2014) on the clearest axis, low-passed to 2 kHz, against `estimate_speed` with
the tool sheet. pYIN is given the same knowledge as far as it can use it: it looks between 0.25 and 1.2 of the rated
speed of the output shaft. A frame is gross when it is unvoiced or lies more than 3 % off that shaft's true speed.
"""

from __future__ import annotations

import argparse
import time

import numpy as np
from scipy import signal

from tests.benchmarks.speed_tables import GROSS, judge
from vibekit.machine.tracks.target import RATED_RANGE
from vibekit.recording.toolsheet import ToolSheet
from vibekit.simulate.presets import PRESETS
from vibekit.simulate.session import SimulatedSession, simulate

RATE = 4000.0


def pyin(session: SimulatedSession, tool: ToolSheet) -> tuple[float, float, float]:
    """Return share of gross frames [%], median error of the others [%], seconds per minute."""
    import librosa

    recording = session.recording
    axis = recording.samples[int(np.argmax(recording.samples.std(axis=1)))]
    slow = signal.resample_poly(axis, int(RATE), int(recording.sample_rate))
    start = time.process_time()
    of = str(tool.output_shaft)
    low, high = (share * tool.rated_hz[of] for share in RATED_RANGE)
    options = {"frame_length": 4096, "hop_length": 512, "max_transition_rate": 8.0}  # octaves per second
    hz, _, _ = librosa.pyin(slow, fmin=low, fmax=high, sr=RATE, **options)
    spent = (time.process_time() - start) * 60.0 / recording.duration_s
    times = librosa.times_like(hz, sr=RATE, hop_length=512)
    true = session.speed_hz(of, times)
    errors = np.nan_to_num(np.abs(hz / true - 1.0), nan=np.inf)
    gross = errors > GROSS
    return 100.0 * float(gross.mean()), 100.0 * float(np.median(errors[~gross])) if (~gross).any() else np.nan, spent


def main() -> None:
    """Print one row per tool and condition."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--seconds", type=float, default=8.0)
    given = parser.parse_args()
    print(f"{'':24}{'pYIN gross %':>13}{'med %':>8}{'s/min':>8}   {'sheet gross %':>13}{'med %':>8}{'s/min':>8}")
    for name in PRESETS:
        for condition in ("no load", "loaded"):
            theirs, ours = [], []
            for seed in range(given.seeds):
                session = simulate(name, seed=seed, duration_s=given.seconds, condition=condition)
                theirs.append(pyin(session, PRESETS[name]))
                case = judge(session, PRESETS[name], name, condition, "vibration", True)
                errors = case.errors if case.errors.size else np.array([1.0])
                near = errors[errors <= GROSS]
                ours.append((100.0 * float((errors > GROSS).mean()), 100 * np.median(near), case.seconds_per_minute))
            row = [*np.nanmean(theirs, axis=0), *np.nanmean(ours, axis=0)]
            print(f"{name:16}{condition:8}" + "{:13.1f}{:8.3f}{:8.2f}   {:13.1f}{:8.3f}{:8.2f}".format(*row))


if __name__ == "__main__":
    main()
