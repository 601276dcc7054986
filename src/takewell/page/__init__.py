"""The local web page: see the day, hear it safely, decide, hand over."""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from takewell.page.app import application
    from takewell.page.server import serve

__all__ = ["application", "serve"]

_WHERE = {"application": "app", "serve": "server"}


def __getattr__(name: str) -> object:
    """Import the web framework only when the page is opened."""
    if name not in _WHERE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f"takewell.page.{_WHERE[name]}"), name)
