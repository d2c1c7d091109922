"""How drawings look, and how one is kept for the page and for paper."""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final

from steelyard.printed.document import Picture

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SIZE_INCHES: Final = (7.0, 2.6)
DOTS_PER_INCH: Final = 220
INK: Final = "#1d2733"
BLUE: Final = "#2f6690"
RUST: Final = "#b5532d"
GREY: Final = "#8a94a0"
BAND: Final = "#cfdde8"
BAND_INNER: Final = "#9dbdd3"


def picture(draw: Callable[[Axes], None], caption: str) -> Picture:
    """Draw once on one pair of axes, keep it as SVG text and as PNG bytes."""

    def on_figure(figure: Figure) -> None:
        axes = figure.add_subplot()
        plain_axes(axes)
        draw(axes)

    return figure_picture(on_figure, caption)


def figure_picture(
    draw: Callable[[Figure], None],
    caption: str,
    size_inches: tuple[float, float] = SIZE_INCHES,
    dots_per_inch: int = DOTS_PER_INCH,
    font_size: float = 8.0,
) -> Picture:
    """As ``picture``, for a drawing with several axes or a shape of its own."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    style: Any = {
        "font.family": "DejaVu Sans",
        "font.size": font_size,
        "svg.fonttype": "path",
        # the same drawing has the same bytes
        "svg.hashsalt": "steelyard",
        "axes.edgecolor": GREY,
        "axes.labelcolor": INK,
        "xtick.color": INK,
        "ytick.color": INK,
        "text.color": INK,
    }
    with mpl.rc_context(style):
        figure = Figure(figsize=size_inches, layout="constrained")
        draw(figure)
        svg = _svg(figure)
        figure.set_layout_engine("none")  # placed once is placed for both
        aspect = size_inches[1] / size_inches[0]
        return Picture(svg, _png(figure, dots_per_inch), caption, aspect)


def plain_axes(axes: Axes) -> None:
    """Two spines and a faint grid."""
    axes.spines[["top", "right"]].set_visible(False)
    axes.grid(True, color="#e6eaee", linewidth=0.6)
    axes.set_axisbelow(True)


def _svg(figure: Figure) -> str:
    target = io.StringIO()
    figure.savefig(target, format="svg", metadata={"Date": None, "Creator": None})
    text = target.getvalue()
    return text[text.index("<svg") :]


def _png(figure: Figure, dots_per_inch: int) -> bytes:
    target = io.BytesIO()
    figure.savefig(target, format="png", dpi=dots_per_inch, metadata={"Software": None})
    return target.getvalue()
