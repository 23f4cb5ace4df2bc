"""miner."""
