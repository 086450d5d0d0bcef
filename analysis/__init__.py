"""The numbers of feedtally: log to store to counts to statistics to answers.

Nothing here draws, serves or prints; see ``dashboard`` for that.
"""

__version__ = "0.1.0"
