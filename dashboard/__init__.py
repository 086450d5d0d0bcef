"""The faces of feedtally: commands, pages, figures and reports over ``analysis``."""
