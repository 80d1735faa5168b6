"""The history, for any other tool."""
