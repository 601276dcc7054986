"""The screens, one a module."""

from takewell.page.screens import day, files, handover, listen, start, take, work

ROUTERS = (
    start.router,
    day.router,
    take.router,
    listen.router,
    work.router,
    handover.router,
    files.router,
)

__all__ = ["ROUTERS"]
