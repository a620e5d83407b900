"""lightgap.vision.render: photos with known truth, a 3-D scene through a real camera."""
