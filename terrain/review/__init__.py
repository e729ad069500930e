"""Pictures, sheets and the page in which people review a site."""

from terrain.review.draw import Drawn, draw_site
from terrain.review.rendering import Rendering, this_machine

__all__ = ["Drawn", "Rendering", "draw_site", "this_machine"]
