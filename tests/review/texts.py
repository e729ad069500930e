"""What is written on a sheet, and whether it can be read."""

from terrain.review import canvas


def shown(figure):
    """Texts that are really printed: ticks outside their axis are not."""
    found = []
    for axes in figure.axes:
        if axes.axison:
            for axis in (axes.xaxis, axes.yaxis):
                low, high = sorted(axis.get_view_interval())
                found += [
                    tick.label1 for tick in axis.get_major_ticks()
                    if tick.label1.get_text() and low <= tick.get_loc() <= high
                ]  # fmt: skip
        found += [t for t in axes.texts if t.get_text().strip()]
    return found


def check_apart(figure):
    """No text lies on another, or off the sheet."""
    labels = shown(figure)
    boxes = [canvas.extent(label) for label in labels]
    wide, high = figure.canvas.get_width_height()
    for i, box in enumerate(boxes):
        assert box[0] >= 0
        assert box[1] >= 0
        assert box[2] <= wide
        assert box[3] <= high
        for j in range(i):
            assert not canvas.overlaps(box, boxes[j], gap=-1.0), (
                labels[i].get_text(), labels[j].get_text(),
            )  # fmt: skip
