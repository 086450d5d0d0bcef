"""What is printed: one module for each sheet or report."""
