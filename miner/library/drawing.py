"""Windows drawn with matplotlib; the only module that needs it."""

from __future__ import annotations

from io import BytesIO

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from miner.library.window import Window
from miner.words import kind_name

__all__ = ["draw_window"]

WIDTH_IN, PANEL_IN = 9.0, 2.2

VOLTS, USUAL, EDGE = "#1f4e79", "#8a8a8a", "#b3541e"


class _Shown(Figure):
    """A figure that notebooks show by themselves, without a state that is kept anywhere else."""

    def _repr_png_(self) -> bytes:
        buffer = BytesIO()
        self.savefig(buffer, format="png", dpi=100)
        return buffer.getvalue()


def draw_window(window: Window) -> Figure:
    """Return a figure with one panel a lead: the usual pulse behind, the volts, and the measured edges as lines."""
    n_leads = max(len(window.volts), 1)
    figure = _Shown(figsize=(WIDTH_IN, PANEL_IN * n_leads + 0.8), layout="constrained")
    panels = figure.subplots(n_leads, 1, sharex=True, squeeze=False)[:, 0]
    for axes, column in zip(panels, window.volts, strict=False):
        _draw_lead(axes, window, column)
    suspect = window.suspect
    cylinder = "" if suspect["cylinder"] is None else f", cylinder {suspect['cylinder']}"
    figure.suptitle(f"{suspect['rank']}: {kind_name(suspect['kind'])}{cylinder}, at {suspect['time_s']:.4f} s")
    panels[-1].set_xlabel("time from turn-on in ms")
    named = {name: line for axes in panels for line, name in zip(*axes.get_legend_handles_labels(), strict=True)}
    figure.legend(named.values(), named.keys(), loc="outside lower right", ncols=len(named), frameon=False)
    return figure


def _draw_lead(axes: Axes, window: Window, column: str) -> None:
    usual = window.usual.get(column)
    if usual is not None:
        time_ms = usual.time_us * 1e-3
        axes.fill_between(time_ms, usual.low, usual.high, color=USUAL, alpha=0.3, linewidth=0)
        axes.plot(time_ms, usual.median, color=USUAL, linewidth=1, label="usual")
    axes.plot(window.time_us * 1e-3, window.volts[column], color=VOLTS, linewidth=1, label="recorded")
    for number, edge_us in enumerate(window.edges_us.get(column, ())):
        axes.axvline(edge_us * 1e-3, color=EDGE, linestyle=":", linewidth=1, label=None if number else "edges")
    axes.set_ylabel(f"{column} in {window.units[column]}")
    axes.set_xlim(float(window.time_us[0]) * 1e-3, float(window.time_us[-1]) * 1e-3)
