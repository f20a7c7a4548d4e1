"""Make the invented records of this folder: a drying test, a strip log with loggers, a survey.

Nothing here was measured. Run it from anywhere: python make_data.py
"""

from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

HOME = Path(__file__).parent
INVENTED = "# Invented data, made by make_data.py: no wall, no laboratory.\n"
ZONE = ZoneInfo("CET")

# Loss after a long time [%], and its scatter from specimen to specimen
DRYING = {"Forms 16 h": 2.5, "Forms 16 h, then sheet 3 d": 2.1, "Forms 3 d": 1.7, "Forms 7 d": 1.4}
DRYING_TIMES = (0.0, 0.25, 0.5, 1.0, 2.0, 3.0, 7.0, 14.0, 28.0)
DRYING_SCATTER = 0.06
BALANCE_ERROR = 0.004

# Loss after a long time [%] with steel forms and no curing after them, and what face and curing make
# of it; plywood differs by less than a test of four specimens can show
FORM_FACES = {"Forms 24 h": 2.2, "Forms 7 d": 1.4}
FACE_FACTORS = {"steel": 1.0, "plywood": 0.96, "draining liner": 0.6}
CURING_FACTORS = {"none": 1.0, "sheet 3 d": 0.8}

# Invented fits of chloride profiles on sister specimens [m2/s], to correlate the ranks with
DIFFUSIVITIES = {
    "Forms 16 h": 9.1e-12,
    "Forms 16 h, then sheet 3 d": 6.4e-12,
    "Forms 3 d": 5.6e-12,
    "Forms 7 d": 3.9e-12,
}

POURS = 24
COVER_MEAN, COVER_SD, COVER_LENGTH = 54.0, 8.0, 1.5  # mm, mm, m


def drying(rng):
    lines = ["specimen,strategy,time_d,mass_loss_pct"]
    for letter, (strategy, loss) in zip("ABCD", DRYING.items(), strict=True):
        for number in range(1, 5):
            own = loss * np.exp(DRYING_SCATTER * rng.standard_normal())
            for time in DRYING_TIMES:
                value = own * -np.expm1(-((time / 9.0) ** 0.6))
                value += BALANCE_ERROR * rng.standard_normal() if time else 0.0
                lines.append(f'{letter}{number},"{strategy}",{time:g},{value:.3f}')
    (HOME / "drying.csv").write_text(INVENTED + "\n".join(lines) + "\n", encoding="utf-8")
    rows = [f'"{name}",{value:.3g}' for name, value in DIFFUSIVITIES.items()]
    text = INVENTED + "\n".join(["strategy,diffusivity_m2_s", *rows]) + "\n"
    (HOME / "diffusivities.csv").write_text(text, encoding="utf-8")


def form_faces(rng):
    """Drying of specimens that differ in the face of the form and in curing after stripping."""
    lines = ["specimen,strategy,form_face,follow_up,time_d,mass_loss_pct"]
    number = 0
    for strategy, loss in FORM_FACES.items():
        for face, by_face in FACE_FACTORS.items():
            for curing, by_curing in CURING_FACTORS.items():
                for _ in range(4):
                    number += 1
                    own = loss * by_face * by_curing * np.exp(DRYING_SCATTER * rng.standard_normal())
                    for time in DRYING_TIMES:
                        value = own * -np.expm1(-((time / 9.0) ** 0.6))
                        value += BALANCE_ERROR * rng.standard_normal() if time else 0.0
                        lines.append(
                            f"E{number:02d},{strategy},{face},{curing},{time:g},{value:.3f}"
                        )
    (HOME / "form-faces.csv").write_text(INVENTED + "\n".join(lines) + "\n", encoding="utf-8")


def temperature(hours, air):
    """Concrete near a form: it warms by some 12 K in the first day and falls back to the air."""
    return air + 12.0 * (hours / 14.0) * np.exp(1.0 - hours / 14.0)


def strip_log(rng):
    """Pours from early March on; the clocks go forward in the night after pour 13."""
    (HOME / "loggers").mkdir(exist_ok=True)
    lines = ["pour;placed;removed;temperature_degC;temperature_file;follow_up;face"]
    for number in range(1, POURS + 1):
        day = datetime(2026, 3, 4, tzinfo=ZONE) + timedelta(days=2 * (number - 1))
        placed = day + timedelta(hours=9, minutes=int(rng.integers(0, 480)))
        placed = placed.replace(second=0)
        hours = float(np.clip(rng.lognormal(np.log(21.0), 0.22), 12.0, 60.0))
        removed = (placed.astimezone(ZoneInfo("UTC")) + timedelta(hours=hours)).astimezone(ZONE)
        air = 6.0 + 0.25 * number + 2.0 * rng.standard_normal()
        name = f"W{number:02d}"
        mean, file = "", ""
        if number % 2:
            file = f"loggers/w{number:02d}.csv"
            logger(name, placed, hours, air, rng)
        else:
            steps = np.linspace(0.0, hours, 200)
            mean = f"{np.mean(temperature(steps, air)):.1f}".replace(".", ",")
        follow_up = "sheet 3 d" if number % 3 else "none"
        face = "north" if number % 4 < 2 else "south"
        lines.append(
            f"{name};{placed:%d.%m.%Y %H:%M};{removed:%d.%m.%Y %H:%M};{mean};{file};"
            f"{follow_up};{face}"
        )
    (HOME / "strip-log.csv").write_text(INVENTED + "\n".join(lines) + "\n", encoding="utf-8")


def logger(name, placed, hours, air, rng):
    """Write half-hourly readings in UTC, from before placing to after stripping."""
    start = placed.astimezone(ZoneInfo("UTC")) - timedelta(minutes=20)
    rows = ["time,temperature_degC"]
    for step in range(int(2 * hours) + 4):
        since = max(step * 0.5 - 1.0 / 3.0, 0.0)
        value = temperature(since, air) + 0.2 * rng.standard_normal()
        rows.append(f"{start + timedelta(hours=0.5 * step):%Y-%m-%dT%H:%M:%SZ},{value:.1f}")
    path = HOME / "loggers" / f"{name.lower()}.csv"
    path.write_text(INVENTED + "\n".join(rows) + "\n", encoding="utf-8")


def cover(rng):
    """Readings on a grid; neighbours resemble each other, as along one cage of bars."""
    x, y = np.meshgrid(np.arange(0.3, 12.0, 0.6), np.arange(0.3, 4.0, 0.5))
    x, y = x.ravel(), y.ravel()
    distance = np.hypot(x[:, None] - x, y[:, None] - y)
    root = np.linalg.cholesky(np.exp(-distance / COVER_LENGTH) + 1e-10 * np.eye(x.size))
    values = COVER_MEAN + COVER_SD * (root @ rng.standard_normal(x.size))
    rows = [f"{a:.1f},{b:.1f},{c:.0f}" for a, b, c in zip(x, y, values, strict=True)]
    text = INVENTED + "\n".join(["x_m,y_m,cover_mm", *rows]) + "\n"
    (HOME / "cover.csv").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    for seed, make in enumerate((drying, strip_log, cover, form_faces)):
        make(np.random.default_rng(20261125 + seed))
