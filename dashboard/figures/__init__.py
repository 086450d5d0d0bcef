"""Result in, plotly figure out; nothing is computed here that a result does not hold."""
