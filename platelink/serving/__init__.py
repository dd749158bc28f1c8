"""What service and page have in common as servers: who may come in, and whose turn it is."""
