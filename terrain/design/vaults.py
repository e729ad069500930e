"""Vaults: boxes in the ground with gravel around them."""

import shapely

from terrain.design.dug import edge_of, reference_level
from terrain.design.edges import grow
from terrain.design.limits import check_depth, check_on_survey
from terrain.design.setting import Setting
from terrain.design.shapes import Element, Vault
from terrain.design.tables import VaultElement


def vault(table: VaultElement, outline: shapely.Polygon, setting: Setting) -> Element:
    """Resolve a vault's box and surround."""
    edge = edge_of(table.outline, outline, [], setting)
    grown, outer = grow(outline, edge, [table.surround])
    check_on_survey(grown, setting.existing, setting.unit)
    check_depth(table.depth + table.base, "deep to the dig", "depth", setting.unit)
    level = reference_level(table, outline, setting)
    return Element(
        name=table.name,
        kind=table.type,
        outline=outline,
        grown=grown,
        shapes=(
            Vault(
                level=level,
                edge=edge,
                outer_edge=outer,
                depth=table.depth,
                base=table.base,
                cut_batter=table.cut_batter,
                voids=table.voids,
                below_surface=table.below_ground == "pointwise",
            ),
        ),
        water_level_m=level if table.water is not None else None,
        rock=(),
        soil=table.soil,
        edge_allowance_m=None,
        edge=edge,
    )
