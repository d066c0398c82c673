"""Rendered impressions that share no code and no model with restrike-synth.

Polygons with exactly known vertices are moved block by block, drawn three times too
large, averaged down, spread, mottled, multiplied as inks and blurred as a scanner
does. What is planted stands beside each scan as JSON. Needs numpy, scipy and Pillow.

    render.py OUT              # three references, a proof of each block, eight sheets
    render.py OUT --far        # the sheets' blocks up to 3 mm and 10 mrad off
    render.py OUT --gaps 25    # gaps of 0.12 to 0.5 mm through the key's lines
    render.py OUT --editions   # five sheets each: as carved, with three changes, as carved

Lengths in mm, print coordinates: origin at the sheet's centre, x right, y up.
"""

import argparse
import json
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw
from scipy.ndimage import gaussian_filter, zoom

PAPER = np.array([0.80, 0.74, 0.60])
OVERSAMPLED = 3
SHEET = np.array([190.0, 134.0])
IMAGE = np.array([160.0, 104.0])
BED_MARGIN = 8.0
# Absorption of the solids, red, green, blue.
INKS = {
    "key": (2.6, 2.7, 2.6),
    "ochre": (0.10, 0.32, 1.0),
    "blue": (1.5, 0.75, 0.28),
    "green": (1.1, 0.35, 0.85),
    "red": (0.12, 1.5, 1.3),
}
COLOURS = {"key": "#221f1c", "ochre": "#c8a04c", "blue": "#3c5f8e", "green": "#557a4a", "red": "#b03a30"}
GAPS = (0.12, 0.16, 0.22, 0.3, 0.5)


def spline(points, steps=24, closed=True):
    """Catmull-Rom curve through points."""
    p, out = np.array(points), []
    n = len(p)
    for i in range(n if closed else n - 1):
        at = lambda k: p[(i + k) % n] if closed else p[min(max(i + k, 0), n - 1)]
        a, b, c, d = (at(k) for k in (-1, 0, 1, 2))
        for t in np.linspace(0, 1, steps, endpoint=False):
            out.append(0.5 * (2 * b + (c - a) * t + (2 * a - 5 * b + 4 * c - d) * t**2 + (3 * b - a - 3 * c + d) * t**3))
    if not closed:
        out.append(p[-1])
    return np.array(out)


def stroke(course, width, taper=False):
    """Outline of a line of a width about its course."""
    d = np.gradient(course, axis=0)
    d /= np.maximum(np.hypot(*d.T), 1e-9)[:, None]
    n = np.c_[-d[:, 1], d[:, 0]]
    half = np.full(len(course), width / 2)
    if taper:
        half = half * (0.25 + 0.75 * np.sin(np.linspace(0.05, np.pi - 0.05, len(course))))
    return np.r_[course + n * half[:, None], (course - n * half[:, None])[::-1]]


def rectangle(w, h):
    return np.array([[-w, -h], [w, -h], [w, h], [-w, h]]) / 2


class Design:
    """Polygons by block, each with whether it prints or takes away."""

    def __init__(self, seed, frame, inset):
        self.rng = np.random.default_rng(seed)
        w, h = IMAGE
        self.blocks = {b: [] for b in INKS}
        key = self.blocks["key"]
        if frame:
            key += [(rectangle(w, h), 1), (rectangle(w - 2 * frame, h - 2 * frame), -1)]
        for i in range(11):
            at = [self.rng.uniform(-s / 2 + 16, s / 2 - 16) for s in IMAGE]
            shape = self.blob(at, self.rng.uniform(6, 13))
            key.append((stroke(np.r_[shape, shape[:1]], self.rng.uniform(0.25, 0.6)), 1))
            if i % 4 != 3:
                self.blocks[("red", "green", "ochre")[i % 3]].append((shape, 1))
        for _ in range(26):
            points = [self.rng.uniform(-IMAGE / 2 + 6, IMAGE / 2 - 6)]
            turn = self.rng.uniform(0, 2 * np.pi)
            for _ in range(4):
                turn += self.rng.normal() * 0.5
                points.append(points[-1] + self.rng.uniform(3, 6) * np.array([np.cos(turn), np.sin(turn)]))
            course = spline([np.clip(p, -IMAGE / 2 + 4, IMAGE / 2 - 4) for p in points], closed=False)
            key.append((stroke(course, self.rng.uniform(0.3, 0.9), True), 1))
        for _ in range(6):
            for block, margin, least, most in (("red", 8, 2, 4), ("green", 10, 3, 5)):
                at = [self.rng.uniform(-s / 2 + margin, s / 2 - margin) for s in IMAGE]
                self.blocks[block].append((self.blob(at, self.rng.uniform(least, most)), 1))
        x, y = w / 2 - inset, h / 2 - inset
        # A wash that is cut to beyond the border left and right, and a gradation.
        self.blocks["ochre"].append(
            (spline([[-x, -y], [0, -y], [x, -y], [x, -18], [10, -10], [-30, -20], [-x, -14]], steps=2), 1)
        )
        self.blocks["blue"].append((np.array([[-x, y], [x, y], [x, h / 2 - 34], [-x, h / 2 - 34]]), 1))

    def blob(self, at, radius):
        turns = np.linspace(0, 2 * np.pi, 7, endpoint=False)
        r = radius * (1 + 0.3 * self.rng.uniform(-1, 1, 7))
        return spline(np.c_[at[0] + r * np.cos(turns), at[1] + r * np.sin(turns)])

    def change(self):
        """A line gone, a red spot half a millimetre to the right, a green spot gone."""
        line = self.blocks["key"].pop(-3)[0]
        spot, prints = self.blocks["red"][-1]
        self.blocks["red"][-1] = (spot + [0.5, 0.0], prints)
        gone = self.blocks["green"].pop(-2)[0]
        return [
            {"what": "line lost", "block": "key", "at": line.mean(0).tolist()},
            {"what": "moved by 0.5 mm", "block": "red", "at": spot.mean(0).tolist()},
            {"what": "area lost", "block": "green", "at": gone.mean(0).tolist()},
        ]

    def cut_gaps(self, number):
        """Gaps through lines clear of other lines: place, length, width of the line."""
        rng = np.random.default_rng(77)
        lines = [p for p, _ in self.blocks["key"] if len(p) > 60]
        gaps = []
        while len(gaps) < number:
            p = lines[rng.integers(len(lines))]
            n = len(p) // 2
            i = int(rng.integers(n // 5, 4 * n // 5))
            a, b = p[i], p[2 * n - 1 - i]
            at, width = (a + b) / 2, np.hypot(*(a - b))
            apart = all(np.hypot(*(at - g["at"])) > 3 for g in gaps)
            free = min(np.hypot(*(q - at).T).min() for q in lines if q is not p) > 1.2
            if not (apart and free and width > 0.2):
                continue
            length = GAPS[len(gaps) % len(GAPS)]
            d = (a - b) / width
            t = np.array([-d[1], d[0]]) * length / 2
            self.blocks["key"].append((np.array([at + d * width + t, at + d * width - t, at - d * width - t, at - d * width + t]), -1))
            gaps.append({"at": at.tolist(), "length": length, "width": width})
        return gaps


def noise(rng, shape, sigma, step):
    """Unevenness of unit variance, smooth over sigma pixels."""
    small = gaussian_filter(rng.normal(size=(shape[0] // step + 2, shape[1] // step + 2)), np.array(sigma) / step)
    return zoom(small / small.std(), step, order=1)[: shape[0], : shape[1]]


def turned(p, turn):
    return turn * np.c_[-p[:, 1], p[:, 0]]


def render(path, design, seed, order, dpi, only=None, far=False, quality=None, body=0.0):
    rng = np.random.default_rng(seed)
    px = dpi / 25.4
    w, h = (int((s + 2 * BED_MARGIN) * px) for s in SHEET)
    lying = (rng.normal() * 0.8, rng.normal() * 0.8, np.deg2rad(rng.normal() * 0.6))
    c, s = np.cos(lying[2]), np.sin(lying[2])

    def mask(polygons, moved):
        image = Image.new("L", (w * OVERSAMPLED, h * OVERSAMPLED), 0)
        draw = ImageDraw.Draw(image)
        for polygon, prints in polygons:
            q = moved(np.asarray(polygon)) @ np.array([[c, s], [-s, c]]) + lying[:2]
            q = np.c_[q[:, 0] * px + w / 2, h / 2 - q[:, 1] * px] * OVERSAMPLED
            draw.polygon([tuple(v) for v in q], fill=255 if prints > 0 else 0)
        return np.asarray(image.reduce(OVERSAMPLED), np.float32) / 255

    paper = mask([(rectangle(*SHEET), 1)], lambda p: p)[..., None]
    light = np.ones((h, w, 3), np.float32) * PAPER * rng.uniform(0.96, 1.02)
    texture = 1 + 0.012 * noise(rng, (h, w), (3, 3), 2) + 0.005 * rng.normal(size=(h, w))
    light *= (texture + 0.015 * noise(rng, (h, w), (80, 80), 20))[..., None]
    placed = (rng.normal() * 0.15, rng.normal() * 0.15, rng.normal() * 1e-3)
    stretch = rng.normal() * 6e-4
    truth = {}
    for block in order:
        # Drawn for all blocks, so that a motion depends on the seed alone.
        move = (0.0, 0.0, 0.0)
        if block != "key":
            move = (rng.normal() * 0.18, rng.normal() * 0.18, rng.normal() * 1.2e-3)
            if far:
                move = (rng.uniform(-3, 3), rng.uniform(-3, 3), rng.uniform(-0.01, 0.01))
        strength, own = 1 + 0.08 * rng.normal(), np.random.default_rng(int(rng.integers(1 << 30)))
        spread, fade = max(0.0, 0.03 + 0.012 * rng.normal()), rng.normal() * 1.5
        if only and block != only:
            continue

        def moved(p):
            q = (p + move[:2] + turned(p, move[2])) * (1 + stretch)
            return q + placed[:2] + turned(q, placed[2])

        m = mask(design.blocks[block], moved)
        if spread > 0.005:
            m = np.clip((gaussian_filter(m, spread * 2 * px) - 0.5) / 0.56 + 0.72, 0, 1)
        m = gaussian_filter(m, 0.012 * px)[..., None]
        ink = 1 + 0.07 * noise(own, (h, w), (5, 5), 2) + 0.05 * noise(own, (h, w), (1.5, 40), 2)
        ink = strength * (ink + 0.05 * noise(own, (h, w), (200, 200), 20))
        if block == "blue":
            y = (h / 2 - np.arange(h)[:, None]) / px
            ink = ink * np.clip((y - (IMAGE[1] / 2 - 32) + fade) / 22, 0, 1) ** 1.3
        through = np.exp(-np.array(INKS[block], np.float32) * np.clip(ink, 0, None)[..., None])
        # A little of the light comes back from the ink itself.
        back = 0.0075 if block == "key" else 0.01
        # And what it covers of the ground gives the ink's own colour instead.
        covers = 0.0 if block == "key" else body
        under = light * (1 - covers) + covers * PAPER
        light = light * (1 - m) + (under * through + back * (1 - through)) * m
        truth[block] = {"dx": move[0], "dy": move[1], "theta": move[2], "strength": strength}
    scan = light * paper + np.array([0.06, 0.06, 0.065]) * (1 - paper)
    scan = np.stack([gaussian_filter(scan[..., k], 0.65 * dpi / 300) for k in range(3)], -1)
    scan = scan * 1.02 + 0.003
    scan += rng.normal(size=scan.shape) * np.sqrt(2e-5 * np.clip(scan, 0, 1) + 3e-6)
    scan = np.clip(scan, 0, 1)
    coded = np.where(scan <= 0.0031308, 12.92 * scan, 1.055 * scan ** (1 / 2.4) - 0.055)
    how = {"quality": quality} if quality else {"compression": "tiff_lzw"}
    Image.fromarray((coded * 255 + 0.5).astype(np.uint8)).save(path, dpi=(dpi, dpi), **how)
    path.with_suffix(".json").write_text(json.dumps({"stretch": stretch, "placed": placed, "blocks": truth}))


CONFIG = """design = "Blobs"
sheet_list = "sheets.csv"
block_list = "blocks.csv"
output = "out"
[sheet]
width_mm = {0}
height_mm = {1}
[[image]]
name = "whole"
x_mm = 0.0
y_mm = 0.0
width_mm = {2}
height_mm = {3}
[tolerances]
register_mm = 0.1
"""


def main():
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("out", type=Path)
    ask.add_argument("--design", type=int, default=5, help="seed of the design")
    ask.add_argument("--dpi", type=int, default=300)
    ask.add_argument("--frame", type=float, default=1.0, help="width of the border line, mm; 0 for none")
    ask.add_argument("--inset", type=float, default=1.0, help="where the washes end, mm inside the image")
    ask.add_argument("--sheets", type=int, default=8)
    ask.add_argument("--key-last", action="store_true", help="the key is printed last, not first")
    ask.add_argument("--body", type=float, default=0.0, help="share of the ground that the colours' inks cover")
    ask.add_argument("--far", action="store_true")
    ask.add_argument("--gaps", type=int, default=0)
    ask.add_argument("--editions", action="store_true")
    a = ask.parse_args()
    (a.out / "scans").mkdir(parents=True, exist_ok=True)
    order = ["ochre", "blue", "green", "red"]
    order = order + ["key"] if a.key_last else ["key"] + order
    design = Design(a.design, a.frame, a.inset)
    rows = []

    def put(name, design, seed, edition, role, **more):
        path = a.out / "scans" / (name + (".jpg" if more.get("quality") else ".tif"))
        render(path, design, seed, order, a.dpi, body=a.body, **more)
        position = name[3:] if role == "run" else ""
        rows.append(f"scans/{path.name},{name},{edition},{1970 if edition == 'first' else 2026},{position},{role}")

    for k, block in enumerate(INKS):
        put("proof-" + block, design, 2000 + k, "last", "proof:" + block, only=block)
    stages, planted = ["deskew", "registration"], {"dpi": a.dpi}
    if a.editions:
        stages.append("comparison")
        other = Design(a.design, a.frame, a.inset)
        planted["changes"] = other.change()
        for at, (edition, carved) in enumerate((("first", design), ("changed", other), ("last", design))):
            for i in range(5):
                put(f"{edition}{i}", carved, 7000 + 1000 * at + i, edition, "reference")
    else:
        for i in range(3):
            put(f"ref{i}", design, 1000 + i, "last", "reference")
        if a.gaps:
            stages.append("edge-wear")
            planted["gaps"] = design.cut_gaps(a.gaps)
        for i in range(a.sheets):
            put(f"run{i + 1}", design, 3000 + i, "last", "run", far=a.far, quality=90 if i % 4 == 3 else None)
    (a.out / "planted.json").write_text(json.dumps(planted, indent=1))
    (a.out / "sheets.csv").write_text("file,impression,edition,year,position,role\n" + "\n".join(rows) + "\n")
    blocks = [f"{b},{i + 1},{'yes' if b == 'key' else 'no'},{'yes' if b == 'blue' else 'no'},{COLOURS[b]}" for i, b in enumerate(order)]
    (a.out / "blocks.csv").write_text("name,order,key,bokashi,colour\n" + "\n".join(blocks) + "\n")
    text = CONFIG.format(*SHEET, *IMAGE) + "".join(f'[[stage]]\nname = "{s}"\n' for s in stages)
    (a.out / "pipeline.toml").write_text(text)


if __name__ == "__main__":
    main()
