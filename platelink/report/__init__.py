"""A sealed record on one page, as HTML and as PDF, and the label of a plate."""
