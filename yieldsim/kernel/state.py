"""What a march carries: the state of the circuit, and the watch of what is looked for and was seen."""

# --- entries of the state [unit] -----------------------------------------------------------------------------------
(
    TIME,  # [s]
    CHARGE,  # [C]
    COIL,  # magnitude of the coil current [A]
    POLARITY,  # of the coil current while it runs, +1 or -1
    CONDUCTS,  # 1 while the bridge conducts
    CLAMPED,  # 1 while the clamp holds the store
    NEXT,  # index of the next break point of the source
    STEP_SIZE,  # next step to try [s]
    STEPS,  # steps made
    QUIET,  # until when a bridge that could not conduct is not asked again [s]
) = range(10)
STATE = 10
# --- entries of the watch: what is looked for and what was seen ------------------------------------------------------
(
    CEILING,  # stop when V_in rises through it, inf for not [V]
    FLOOR,  # stop when V_in falls below it, -inf for not [V]
    NEED,  # V_need of the running step, -inf when none runs [V]
    LEAST,  # least V_in - V_need since it was set [V]
    FIRST_BELOW,  # time at which V_in - V_need first fell below zero, inf when it did not [s]
    TOP_INPUT,  # highest V_in [V]
    TOP_CURRENT,  # highest diode current [A]
    TOP_REVERSE,  # highest reverse voltage of a diode [V]
    PLATEAU,  # rise of V_in that counts as a new top: on a plateau the first instant stands [V]
    TOP_SHARE,  # where in the step that began at the kept state V_in was highest [s]
    PHASE,  # what runs, for the record and the ledger
    LEDGER_COLUMN,  # of the running step, -1 when none runs
) = range(12)
WATCH = 12
