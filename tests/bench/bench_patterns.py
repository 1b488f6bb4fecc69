"""What each pattern set costs against walking one: `python tests/bench/bench_patterns.py [POINTS ...]`.

Prints figures and asserts none of them: a busy machine is no defect. Ratios are taken against
walking one in the same run, so they mean the same on any machine.
"""

import math
import sys
import time

from hilseq.analysis.pattern_diagnosis import diagnose
from hilseq.analysis.patterns import Joined, Short, Vector, shortest_complete, true_complement
from tests.analysis.classic_patterns import counting, respond, walking_one

#: Settling of an output, and one request over Modbus TCP on a local network (common practice), in s.
SETTLE, ONE_REQUEST = 0.05, 0.005
#: Modbus: at most 1968 coils written and 2000 read by one request (check-values 2b).
MOST_WRITTEN, MOST_READ = 1968, 2000

SETS = {
    "walking one": walking_one,
    "counting": counting,
    "true/complement": true_complement,
    "shortest complete": shortest_complete,
}


def requests(vectors: tuple[Vector, ...]) -> int:
    """Return the Modbus requests to write every vector and read every answer."""
    points = len(vectors[0])
    return len(vectors) * (math.ceil(points / MOST_WRITTEN) + math.ceil(points / MOST_READ))


def hardware_time(vectors: tuple[Vector, ...]) -> float:
    """Return seconds on hardware, with the settling time and a usual time for one request."""
    return len(vectors) * SETTLE + requests(vectors) * ONE_REQUEST


def diagnosis_time(vectors: tuple[Vector, ...], repeats: int) -> float:
    """Return the best CPU time in seconds of diagnosing one short."""
    fault = Short(0, len(vectors[0]) - 1, Joined.WIRED_AND)
    read = tuple(respond(vector, (fault,)) for vector in vectors)
    best = math.inf
    for _ in range(repeats):
        start = time.process_time()
        diagnose(vectors, read)
        best = min(best, time.process_time() - start)
    return best


def compare(points: int) -> None:
    """Print what every set needs beside walking one, for so many points."""
    repeats = 3 if points > 100 else 10
    print(f"\nN = {points}: {'set':<18} vectors requests   ratio hardware/s  diagnosis/ms   ratio")
    base_requests = base_time = 0.0
    for name, build in SETS.items():
        vectors = build(points)
        asked, spent = requests(vectors), diagnosis_time(vectors, repeats)
        base_requests, base_time = base_requests or asked, base_time or spent
        print(
            f"{'':9}{name:<18} {len(vectors):7d} {asked:8d} {asked / base_requests:7.3f}"
            f" {hardware_time(vectors):10.2f}"
            f" {1e3 * spent:13.3f} {spent / base_time:7.3f}"
        )


if __name__ == "__main__":
    for number in sys.argv[1:] or ("16", "64", "1024"):
        compare(int(number))
