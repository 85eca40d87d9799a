"""The commands about an area's data and places; a plan waits for none of them."""

from __future__ import annotations

import typer

from spotmap.bottomcommands import shape
from spotmap.datacommands import bring_in, doubts_of, pack, unpack
from spotmap.ripcommand import rips
from spotmap.spotcommands import spot_commands
from spotmap.spotlist import spots
from spotmap.worthcommand import worth_today


def add_area_commands(app: typer.Typer) -> None:
    """Register the commands.

    Parameters
    ----------
    app
        Gets them, once.
    """
    app.command(
        "import",
        epilog="Example: spotmap import US5XX01M.zip --into harbor --timezone America/New_York",
    )(bring_in)
    app.command("doubts", epilog="Example: spotmap doubts demo_area --on 2026-08-14")(doubts_of)
    app.command(epilog="Example: spotmap pack demo_area --out merrow.gpkg")(pack)
    app.command(epilog="Example: spotmap unpack merrow.gpkg --into merrow")(unpack)
    app.command(epilog='Example: spotmap shape demo_area --scale "75 m" --kind hump')(shape)
    app.command(epilog="Example: spotmap rips demo_area --on 2026-08-14 --start 06:00 --hours 5")(rips)
    app.command(epilog='Example: spotmap spots demo_area --near "Gull Point" --within "1 NM" --facts --on 2026-08-14')(
        spots
    )
    app.add_typer(spot_commands, name="spot")
    app.command("worth", epilog="Example: spotmap worth demo_area/trip.toml --take 3 --work 1")(worth_today)
