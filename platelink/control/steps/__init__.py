"""Steps in which nothing of ours is to be switched off: bake, hand work, inspection. Pure."""
