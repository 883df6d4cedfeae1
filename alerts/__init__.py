"""From a transition to somebody who knows."""
