"""Options for a part and a quantity, working calendar, queue, promise, cost, comparison."""
