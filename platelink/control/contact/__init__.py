"""Contact vacuum: reached, held, and watched. Pure."""
