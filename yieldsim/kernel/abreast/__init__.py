"""Plain presses abreast: `lanes.WIDTH` actuations side by side, to the same bits as one after another.

Most presses go the same way. One stroke drives the coil; the bridge opens, the store charges to V_start, the current
runs out while the radio boots, and from then on the store only drains. `crew.run_crew` takes several along that way
together, leg after leg, by the operations of the module of the same name outside this folder, in the same order: a
press comes out to the same bits whether it went with others or alone. A lane in which anything else happens falls out,
and its press is run by itself.
"""
