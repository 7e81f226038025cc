"""The invented network: a simulated world, what goes wrong in it, and the services that bring it to watchman.

Nothing in the simulator (sites, weather, rain, gauge, power, radio, world, story) imports or repeats watchman: what the
watch concludes must not be built into what it watches.
"""
