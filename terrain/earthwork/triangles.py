"""What a triangular prism holds above zero."""

from terrain.kernels import kernel


@kernel
def above_zero(a: float, b: float, c: float) -> float:
    """Volume above zero of a unit-area triangular prism with corner heights a, b, c.

    Split on the line where the heights change sign: a corner above two others holds
    `a³ / 3 (a − b)(a − c)`.
    """
    a, b, c = max(a, b, c), a + b + c - max(a, b, c) - min(a, b, c), min(a, b, c)
    if c >= 0:
        return (a + b + c) / 3
    if a <= 0:
        return 0.0
    if b <= 0:
        return a * a * a / ((a - b) * (a - c)) / 3
    return (a + b + c) / 3 - c * c * c / ((a - c) * (b - c)) / 3
