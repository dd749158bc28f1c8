"""The page in a real browser: on a service that is played, and on the real daemon."""
