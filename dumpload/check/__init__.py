"""The installation on paper: what an electrician and a plumber would work out before the first switch-on."""
