"""The screens, one a module."""

from takewell.page.screens import day, files, handover, jobs, listen, start, take

ROUTERS = (
    start.router,
    day.router,
    take.router,
    listen.router,
    jobs.router,
    handover.router,
    files.router,
)

__all__ = ["ROUTERS"]
