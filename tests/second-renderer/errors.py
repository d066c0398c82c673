"""What restrike found on impressions of render.py, held against what was planted.

    errors.py OUT [RESULTS]    # RESULTS is OUT/out unless said
"""

import csv
import json
import sys
from pathlib import Path

import numpy as np

NEAR_MM = 1.2


def table(results, name):
    path = results / "tables" / (name + ".csv")
    return list(csv.DictReader(path.open())) if path.exists() else []


def truth(out, file):
    return json.loads((out / file).with_suffix(".json").read_text())["blocks"]


def at(motion, x, y):
    return np.array([motion["dx"] - motion["theta"] * y, motion["dy"] + motion["theta"] * x])


def registration(out, results, planted):
    """Errors of registration; lengths in pixels of the references' scans."""
    rows = table(results, "registration")
    reference = next((r["file"] for r in rows if r["role"] == "reference"), None)
    print("block, basis: sheets given of all; rms of x and y, pixels; in the errors stated (measuring alone); zero's error")
    of = {}
    for r in rows:
        of.setdefault((r["block"], r["basis"]), []).append(r)
    for (block, basis), rows in of.items():
        errors = []
        for r in rows:
            if not r["shift_x_mm"]:
                continue
            x, y = float(r["middle_x_mm"]), float(r["middle_y_mm"])
            true = at(truth(out, r["file"])[block], x, y)
            if "reference" in basis:
                true = true - at(truth(out, reference)[block], x, y)
            found = [float(r[f"shift_{a}_mm"]) for a in "xy"]
            stated = [float(r[f"shift_{a}_se_mm"]) for a in "xy"]
            errors.append([*(found - true), *stated, float(r["zero_se_mm"])])
        if not errors:
            print(f"  {block}, {basis}: 0 of {len(rows)}; {rows[-1]['why']}")
            continue
        e = np.array(errors)
        rms = np.sqrt((e[:, :2] ** 2).mean(0)) * planted["dpi"] / 25.4
        sizes = np.sqrt(((e[:, :2] / e[:, 2:4]) ** 2).mean(0))
        print(f"  {block}, {basis}: {len(e)} of {len(rows)}; {rms[0]:.3f} {rms[1]:.3f}; {sizes[0]:.2f} {sizes[1]:.2f}; {e[0, 4]:.4f} mm")


def gaps(planted, results):
    rows = [r for r in table(results, "wear_sites") if r["kind"] == "break"]
    sheets = sorted({r["impression"] for r in table(results, "wear_sheet") if r["role"] == "run"})
    places = np.array([g["at"] for g in planted])
    near = lambda r: int(np.hypot(*(places - [float(r["x_mm"]), float(r["y_mm"])]).T).argmin())
    found, false = set(), 0
    for r in rows:
        k = near(r)
        if r["role"] == "run" and np.hypot(*(places[k] - [float(r["x_mm"]), float(r["y_mm"])])) < NEAR_MM:
            found.add((r["impression"], k))
        else:
            false += 1
    for length in sorted({g["length"] for g in planted}):
        of = [k for k, g in enumerate(planted) if g["length"] == length]
        hits = sum((s, k) in found for s in sheets for k in of)
        print(f"  gaps cut {length} mm wide: {hits} of {len(of) * len(sheets)} told as breaks (ink narrows them by about 0.06 mm)")
    print(f"  breaks told where none was cut: {false}")


def editions(changes, results):
    for pair in (("first", "changed"), ("first", "last")):
        rows = [r for r in table(results, "comparison_differences") if {r["first"], r["second"]} == set(pair)]
        print(f"  {pair[0]} and {pair[1]}: {len(rows)} differences")
        for r in rows:
            print(f"    {r['kind']} {r['block']} at {r['x_mm']}, {r['y_mm']}: {r['area_mm2']} mm2, {r['size_de00']} dE00")
    for c in changes:
        print(f"  planted in changed: {c['what']}, {c['block']}, at {c['at'][0]:.1f}, {c['at'][1]:.1f}")


def main():
    out = Path(sys.argv[1])
    results = Path(sys.argv[2]) if len(sys.argv) > 2 else out / "out"
    planted = json.loads((out / "planted.json").read_text())
    registration(out, results, planted)
    if "gaps" in planted:
        gaps(planted["gaps"], results)
    if "changes" in planted:
        editions(planted["changes"], results)


if __name__ == "__main__":
    main()
