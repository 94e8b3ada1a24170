"""What is handed between rooms: recordings and runs, frozen and typed."""
