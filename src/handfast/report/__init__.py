"""Pages and pictures: what a pair of arms can and cannot do, on paper."""
