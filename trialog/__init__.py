"""trialog: proves the devices of a CNC machine cell ready for unattended robot loading."""

from importlib.metadata import version

__version__ = version("trialog")
