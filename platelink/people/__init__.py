"""People: who they are, what they may do, how they sign in; and their store."""
