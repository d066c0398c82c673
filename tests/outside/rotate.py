"""Copies of scans turned by known angles, with Pillow's resampler.

Pillow shares no code with the project, so an angle that the project measures on
such a copy is checked against an independent implementation.

Sign: a positive angle turns the picture counter-clockwise as seen (rows run
downwards). The turn is about the centre of the picture; the canvas is expanded so
that nothing is cut off, and the centre stays the centre.

Resampling: four times up with Lanczos, turned there with bilinear interpolation,
four times down with a box. Pillow's one-step bicubic turn is not used: its kernel
does not reproduce a linear ramp, so edges move by up to 0.1 px with their phase,
which on a small picture turned by 0.3 degrees is an error of 0.03 degrees.
"""

import csv
import math
from pathlib import Path

from PIL import Image


def paper_colour(picture):
    """Per-channel median of the outermost frame of pixels, one pixel wide."""
    width, height = picture.size
    edges = [(0, 0, width, 1), (0, height - 1, width, height),
             (0, 0, 1, height), (width - 1, 0, width, height)]
    channels = [[] for _ in picture.getbands()]
    for box in edges:
        for values, band in zip(channels, picture.crop(box).split()):
            values.extend(band.getdata())
    return tuple(sorted(values)[len(values) // 2] for values in channels)


def plain(path):
    """The picture as 8-bit grey or RGB, and its resolution in dpi if the file has one."""
    with Image.open(path) as picture:
        dpi = picture.info.get("dpi")
        grey = picture.mode in ("1", "L")
        return picture.convert("L" if grey else "RGB"), dpi


def to_png(source, target):
    picture, dpi = plain(source)
    picture.save(target, **({"dpi": dpi} if dpi else {}))


SCALE = 4


def turned_about_centre(picture, angle_deg, fill):
    """The picture turned counter-clockwise by the angle, on a canvas that holds all of it."""
    width, height = picture.size
    cosine, sine = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    new_width = math.ceil(width * abs(cosine) + height * abs(sine) - 1e-9)
    new_height = math.ceil(width * abs(sine) + height * abs(cosine) - 1e-9)
    # Pillow maps output pixel centres to input positions; y runs downwards.
    centre_in = (SCALE * width / 2, SCALE * height / 2)
    centre_out = (SCALE * new_width / 2, SCALE * new_height / 2)
    shift_x = centre_in[0] - cosine * centre_out[0] + sine * centre_out[1]
    shift_y = centre_in[1] - sine * centre_out[0] - cosine * centre_out[1]
    large = picture.resize((SCALE * width, SCALE * height), Image.Resampling.LANCZOS)
    large = large.transform((SCALE * new_width, SCALE * new_height), Image.Transform.AFFINE,
                            (cosine, -sine, shift_x, sine, cosine, shift_y),
                            resample=Image.Resampling.BILINEAR, fillcolor=fill)
    return large.reduce(SCALE)


def rotated_copies(sources, folder, angles):
    """Write <stem>_<angle>.png for each source and angle, and angles.csv beside them."""
    folder.mkdir(parents=True)
    rows = []
    for source in sources:
        picture, dpi = plain(source)
        paper = paper_colour(picture)
        fill = paper[0] if len(paper) == 1 else paper
        for angle in sorted(angles):
            name = f"{Path(source).stem}_{angle:+.2f}.png"
            turned = turned_about_centre(picture, angle, fill)
            turned.save(folder / name, **({"dpi": dpi} if dpi else {}))
            rows.append([name, Path(source).name, f"{angle:.2f}", *turned.size,
                         " ".join(str(value) for value in paper)])
    with open(folder / "angles.csv", "w", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\n")
        writer.writerow(["file", "source", "angle_ccw_deg", "width_px", "height_px", "fill_8bit"])
        writer.writerows(rows)
