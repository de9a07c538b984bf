"""Words to commands."""
