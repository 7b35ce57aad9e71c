"""Invented readings of an invented wheel, for the tutorial only: a real wheel's are typed at the stand.

python readings.py schedule.json after        the first set, as the schedule asks
python readings.py answer.json after          what an answer of `longhold retension --json` leaves the wheel with
python readings.py wheel.json before TIME     a wheel that has done by then what its record leads one to expect
"""

import json
import random
import sys
from datetime import datetime
from pathlib import Path

from tui.typed import expected_of
from tui.wheelfile import read_record

file, when = Path(sys.argv[1]), sys.argv[2]
content = json.loads(file.read_text(encoding="utf-8"))
if "tension_after_N" in content:
    middle = content["tension_after_N"]
elif "steps" in content:
    [set_to] = [s["tension_N"] for s in content["steps"] if s["kind"] == "set"]
    middle = [set_to["left"], set_to["right"]] * 14
else:
    expected = expected_of(read_record(file)[0], datetime.fromisoformat(sys.argv[3]))
    if expected is None:
        sys.exit("its record holds no set yet")
    middle = expected.tension_N
rng = random.Random(" ".join(sys.argv[1:]))
print("position,tension_N,lateral_mm,radial_mm,when")
for i, tension in enumerate(middle):
    lateral, radial = rng.gauss(0.0, 0.06), rng.gauss(0.0, 0.04)
    print(f"{i + 1},{tension * rng.gauss(1.0, 0.008):.0f},{lateral:.2f},{radial:.2f},{when}")
