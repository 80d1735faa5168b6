"""The `bothends` command."""
