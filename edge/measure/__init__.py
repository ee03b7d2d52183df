"""What is measured from the ticks: turns, runs, rests, loss, purity, runtime. No clock, no opinion."""
