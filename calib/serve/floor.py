"""Floor: one screen for a wall: what runs and until when, what waits for a person, what starts next."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from calib.documents.bench import BuildUnderWay, RunningRun
from calib.serve.bench import first_look, when_of
from calib.serve.pages import page, site_of
from calib.shop.read_shop import read_shop

SHOWN = 12  # of each kind: what one wall can show


async def show(request: Request) -> Response:
    site = site_of(request)
    board = site.board
    if board.view is None:
        return await first_look(request)
    board.refresh_if_old()
    shop, when = read_shop(site.folder), when_of(site)
    builds = [build for build in board.builds(shop) if build["steps"]]
    running = [_tile(build) | _times(run, when, shop.people_names) for build in builds if (run := build["running"])]
    begun = [build for build in builds if not build["running"] and build["has_begun"]]
    fresh = [build for build in builds if not build["running"] and not build["has_begun"]]
    busy = {build["machine"] for build in builds}
    return page(
        request,
        "floor.html",
        clock=site.now().strftime("%A %H:%M"),
        running=running,
        waits=[_tile(build) for build in begun],
        next=[_tile(build) | {"place": build["machine"]} for build in fresh],
        most=SHOWN,
        trouble=site.without_paths(board.trouble),
        crew=board.view["crew"],
        idle=[name for name in shop.machines if name not in busy and shop.machines[name].owned],
    )


def _tile(build: BuildUnderWay) -> dict[str, Any]:
    step, running = build["steps"][0], build["running"]
    place = (running and running["station"]) or (step["places"] or [build["machine"]])[0]
    return {
        "build_id": build["build_id"],
        "parts": build["parts"],
        "place": place,
        "stage": step["stage"],
        "usual_min": step["usual_min"],
    }


def _times(running: RunningRun, when: Callable[[str], str], people: str) -> dict[str, str]:
    """Names of persons only where the shop file lets them be named."""
    who = running.get("operator", "") if people == "named" else ""
    return {"usual": when(running["usual_at"]), "most": when(running["most_at"]), "who": who}


ROUTES = [Route("/floor", show)]
