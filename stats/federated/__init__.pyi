"""The public names of `stats.federated`, each with the module that holds it."""

from .in_parts import analyse_in_parts as analyse_in_parts
from .merged import merge_files as merge_files
from .moments_file import read_file as read_file
