"""Draws the cost of whole sheet solutions against their unknowns from the table of docs/sheets.md, with the fitted power.

Run from anywhere; needs numpy and matplotlib. Writes docs/sheets-cost.svg beside the page.
"""

import re
from pathlib import Path

import matplotlib
import numpy as np

matplotlib.use("svg")
from matplotlib import pyplot as plt  # noqa: E402

PAGE = Path(__file__).resolve().parents[2] / "docs" / "sheets.md"


def table():
    """Unknowns and seconds of each row `| order | unknowns | seconds | bound |`."""
    rows = re.findall(r"^\| \d \| ([\d ]+) \| ([\d.]+) \| [\d.e-]+ \|$", PAGE.read_text(encoding="utf-8"), re.M)
    assert len(rows) >= 6, "the page has no table of whole solutions"
    return np.array([(float(unknowns.replace(" ", "")), float(seconds)) for unknowns, seconds in rows]).T


unknowns, seconds = table()
# What a small mesh costs beside its unknowns is no power of them.
large = unknowns > 1e4
power, factor = np.polyfit(np.log(unknowns[large]), np.log(seconds[large]), 1)
figure, axes = plt.subplots(figsize=(5, 3.4))
axes.loglog(unknowns, seconds, "o", label="measured")
axes.loglog(unknowns, np.exp(factor) * unknowns**power, label=f"power {power:.2f} above 10 000 unknowns")
axes.set_xlabel("unknowns")
axes.set_ylabel("seconds")
axes.grid(True, which="major", alpha=0.4)
axes.legend()
figure.tight_layout()
figure.savefig(PAGE.with_name("sheets-cost.svg"), metadata={"Date": None})
print(f"power {power:.3f}")
