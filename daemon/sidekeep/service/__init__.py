"""The background service; never imports numpy."""
