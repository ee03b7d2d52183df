"""dryhold: watches the nitrogen supply of dry-pipe and preaction sprinkler piping."""

from importlib.metadata import version

__version__ = version("dryhold")
