"""Long work with progress: render, prepare, survey, suggest, benchmarks."""
