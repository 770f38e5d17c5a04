"""How long a whole comparison takes: five hand-held recordings of 20 s, 640 x 512 at 9 frames/s, from files to files.

Run ``python tests/bench/bench_speed.py [--resolution 640x512] [--seconds 20] [--rate 9] [--goods 4] [--seed 1]``. The
recordings are made and written first (not counted); then ``thermscan compare`` runs in a process of its own, as a user
would start it. Printed are its wall time, processor time and largest memory, with the processors of the machine. The
limit the tool is built for is four minutes on two processors.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from thermscan.simulate.case import draw_case
from thermscan.simulate.case_file import write_case
from thermscan.simulate.options import CaseOptions

LIMIT_S = 240.0


def make_files(folder: Path, arguments: argparse.Namespace) -> list[Path]:
    """Write the recordings of one case; returns the faulty one, then the good ones."""
    columns, rows = (int(n) for n in arguments.resolution.split("x"))
    on_s = arguments.seconds - 3.0
    options = CaseOptions(
        resolution=(columns, rows),
        hand_held=True,
        frame_rate_hz=arguments.rate,
        before_s=2.0,
        on_s=on_s,
        after_s=1.0,
        fault="short",
        goods=arguments.goods,
    )
    write_case(draw_case(arguments.seed, options=options), folder)
    return [folder / "faulty.tiff", *sorted(folder.glob("good*.tiff"))]


def main() -> int:
    """Make the files, run the comparison, print what it took."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--resolution", default="640x512")
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--rate", type=float, default=9.0)
    parser.add_argument("--goods", type=int, default=4)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        faulty, *goods = make_files(folder, arguments)
        command = [sys.executable, "-m", "thermscan", "compare", str(faulty), "--board", str(folder / "board.json")]
        for good in goods:
            command += ["--good", str(good)]
        start = time.perf_counter()
        done = subprocess.run([*command, "--out", str(folder / "result")], capture_output=True, text=True, check=False)
        wall_s = time.perf_counter() - start
    if done.returncode != 0:
        print(done.stderr)
        return 1
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    print(
        f"{1 + len(goods)} recordings of {arguments.seconds:g} s, {arguments.resolution} at {arguments.rate:g} frames/s"
    )
    print(f"wall {wall_s:.0f} s (limit {LIMIT_S:.0f} s), processor {used.ru_utime + used.ru_stime:.0f} s, ", end="")
    print(f"largest memory {used.ru_maxrss / 1024:.0f} MiB, {os.cpu_count()} processors, load {os.getloadavg()[0]:.1f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
