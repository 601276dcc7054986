"""The screens, one a module."""

from takewell.page.screens import bench, day, files, handover, jobs, kit, listen, pairs, plan, start, take

ROUTERS = (
    start.router,
    day.router,
    take.router,
    pairs.router,
    listen.router,
    jobs.router,
    handover.router,
    plan.router,
    kit.router,
    bench.router,
    files.router,
)

__all__ = ["ROUTERS"]
