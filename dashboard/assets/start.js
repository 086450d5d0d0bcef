/* Draws the pages. Dash would write this line into each page, where no script may stand. */
var renderer = new DashRenderer();
