"""Labels to print and stick on servos: a page of them in black and white, told apart by words and frames."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from handfast.bench.servos import ServoRecord, verdict_text

_SHOWN = (
    ("torque_pct", "torque", "{:.0f} %"),
    ("time_60deg_ms", "60°", "{:.0f} ms"),
    ("play_deg", "play", "{:.2f}°"),
    ("dead_band_us", "dead band", "{:.1f} µs"),
    ("noise_counts", "noise", "{:.1f}"),
    ("linearity_pct", "bend", "{:.1f} %"),
)
_MARKS = {"accept": "✓", "watch": "!", "reject": "✗"}

_STYLE = """\
@page { size: A4; margin: 10mm }
* { box-sizing: border-box }
body { font: 2.9mm/1.25 "DejaVu Sans", Verdana, sans-serif; color: #000; background: #fff; margin: 0 }
.page { display: grid; grid-template-columns: repeat(3, 62mm); gap: 2mm }
.label { width: 62mm; height: 30mm; padding: 1.6mm 2mm; border: 0.35mm solid #000; overflow: hidden;
  break-inside: avoid }
.label.watch { border: 0.9mm dashed #000 }
.label.reject { border: 1.2mm double #000;
  background: repeating-linear-gradient(45deg, transparent 0 5mm, #0002 5mm 5.4mm) }
.head { display: flex; justify-content: space-between; font-size: 4.6mm; font-weight: bold; line-height: 1.1 }
.kind { font-size: 2.7mm }
.why { font-weight: bold }
.figures { display: flex; flex-wrap: wrap; column-gap: 2.4mm }
h1 { font-size: 4mm; margin: 0 0 3mm } .note { margin: 0 0 3mm }
"""


def labels_page(records: Sequence[ServoRecord], title: str, invented: bool) -> str:
    """An HTML page of labels of 62 x 30 mm, three in a row on A4. A verdict is a word, a sign and a frame."""
    labels = "\n".join(_label(record) for record in records)
    note = '<p class="note">Invented servos of a simulation.</p>' if invented else ""
    return (
        "<!doctype html>\n"
        f'<html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>\n'
        f"<style>\n{_STYLE}</style></head>\n"
        f'<body><h1>{escape(title)}</h1>{note}\n<div class="page">\n{labels}\n</div></body></html>\n'
    )


def _label(record: ServoRecord) -> str:
    vetting = record.last
    if vetting is None:
        return ""
    partly = verdict_text(vetting.verdict, vetting.not_tested).partition(", ")[2]
    figures = []
    for key, word, form in _SHOWN:
        row = vetting.figure(key)
        if row is not None:
            figures.append(f"<span>{word} {form.format(row.value)}</span>")
    why = ""
    if vetting.reasons:
        first = vetting.reasons[0]
        why = f'<div class="why">{escape(first if len(first) < 90 else first[:88] + "…")}</div>'
    return (
        f'<div class="label {vetting.verdict}"><div class="head"><span>{escape(record.mark)}</span>'
        f"<span>{_MARKS[vetting.verdict]} {vetting.verdict}</span></div>"
        f'<div class="kind">{escape(record.servo_name)} · {escape(vetting.date)}</div>'
        f"{f'<div>{escape(partly)}</div>' if partly else ''}{why}"
        f'<div class="figures">{"".join(figures)}</div></div>'
    )
