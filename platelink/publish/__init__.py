"""From the journal to broker and store: topics, outbox, publisher, recorder. Light to import."""
