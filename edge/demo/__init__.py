"""The demo: the real daemon, page and a real broker around a simulated plant, in fast time."""
