"""Rule sea_distance: distance by water between any two sites, and where in the water each site was put."""

from homewater.inputs.polygons import read_land
from homewater.running.step import run_step
from homewater.tables.schema_tables import read_table, write_table
from homewater.water.site_distances import site_distances


def main(sites: str, coastline: str, distances: str, positions: str, cell_degrees: float, max_snap_km: float) -> None:
    """Find the way by water between any two sites; a site farther than `max_snap_km` from water is refused.

    Args:
        sites: the user's table of sites, checked.
        coastline: GeoJSON of land, plain or gzip.
        distances: table of distances, one row for each two sites.
        positions: table of the places in water, one row a site.
        cell_degrees: height of a cell of the raster of water, degrees of latitude.
        max_snap_km: farthest that a site may be moved to reach water.
    """
    found = site_distances(read_table(sites, "input_sites"), read_land(coastline), cell_degrees, max_snap_km)
    write_table(found.distances, distances, "sea_distance")
    write_table(found.positions, positions, "site_positions")


if __name__ == "__main__":
    run_step(main, snakemake)
