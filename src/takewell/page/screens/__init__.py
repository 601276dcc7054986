"""The screens, one a module: those that open no roll are there at once, the others are imported while they are looked at."""

from fastapi import APIRouter

from takewell.page.screens import files, jobs, start

AT_ONCE = (start.router, jobs.router, files.router)
"""Screens that need nothing of what measures or draws."""


def others() -> tuple[APIRouter, ...]:
    """Import and return all other screens; that takes a second."""
    from takewell.page.screens import bench, day, handover, kit, listen, pairs, plan, take

    return tuple(module.router for module in (day, take, pairs, listen, handover, plan, kit, bench))


__all__ = ["AT_ONCE", "others"]
