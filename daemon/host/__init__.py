"""Plugins: found by entry point, named when they fail, never able to stop the rest."""

from .plugin_host import PluginHost, PluginInfo

__all__ = ["PluginHost", "PluginInfo"]
