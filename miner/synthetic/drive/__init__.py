"""How a made-up car is driven: road, engine speed, coil supply over time."""
