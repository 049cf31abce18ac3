"""The public names of `stats.federated`, each with the module that holds it."""

from .merged import merge_files as merge_files
from .moments_file import read_file as read_file
