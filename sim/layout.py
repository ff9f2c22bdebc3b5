"""Where each number lives: indices into the flat arrays of state, parameters, ledger and flags.

The kernel works on flat float64 arrays so that nothing is allocated while it runs; numba folds these
constants into the code. Blocks are ``slice``-like pairs (first index, number).
"""

from __future__ import annotations

SHELLS = 10  # radial shells of the pile, innermost first
SKINS = 4  # wet material hugging the coil, one lump for each group of turns
COIL_CELLS = 8  # water in the coil, two cells a skin, in the order of flow
LINE_CELLS = 8  # water in each buried pipe
EMITTER_CELLS = 2

# --- the water loop is one ring of cells, in the order of flow
RING_COIL = 0
RING_DRUM = RING_COIL + COIL_CELLS  # the turns inside the drum
RING_SUPPLY = RING_DRUM + 1
RING_EMITTER = RING_SUPPLY + LINE_CELLS
RING_POND = RING_EMITTER + EMITTER_CELLS
RING_RETURN = RING_POND + 1
RING = RING_RETURN + LINE_CELLS

# --- state
Y_HEAT = 0  # enthalpy of each shell above liquid at 0 degC [J]
Y_WATER = Y_HEAT + SHELLS  # [kg]
Y_OXYGEN = Y_WATER + SHELLS  # in the pores [kg]
Y_FAST = Y_OXYGEN + SHELLS  # quickly degradable solids [kg]
Y_SLOW = Y_FAST + SHELLS  # slowly degradable solids [kg]
Y_ACTIVE = Y_SLOW + SHELLS  # active biomass, share of full
Y_GROUND = Y_ACTIVE + SHELLS  # two layers of soil under the pile [J]
Y_SKIN = Y_GROUND + 2  # [J]
Y_RING = Y_SKIN + SKINS  # specific enthalpy of each ring cell [J/kg]
Y_DRUM = Y_RING + RING  # [J]
Y_AIR = Y_DRUM + 1  # moist enthalpy of the greenhouse air [J]
Y_VAPOUR = Y_AIR + 1  # [kg]
Y_MASS = Y_VAPOUR + 1  # soil and benches [J]
Y_POND = Y_MASS + 1  # [J]
Y_CO2 = Y_POND + 1  # mole fraction in the greenhouse
Y_CHARGE = Y_CO2 + 1  # pump battery, fan battery [A s]
Y_SIZE = Y_CHARGE + 2

# --- flags and regimes that switch, kept apart from the smooth state
(
    G_PUMP_RUNS,
    G_FAN_RUNS,
    G_LOAD_ON_PUMP,
    G_LOAD_ON_FAN,
    G_LATCHED_PUMP,
    G_LATCHED_FAN,
    G_VOLTS_PUMP,
    G_VOLTS_FAN,
    G_AIR_LOCK_M3,
    G_FLOW_KG_S,
    G_FAN_KG_S,
    G_PUMP_W,
    G_FAN_W,
    G_DRAWN_C,  # pile air as the fan draws it
    G_DRAWN_W,
    G_DRAWN_CO2,
    G_DUCT_C,  # air at the greenhouse end of the duct
    G_DUCT_W,
    G_PUMP_SPEED,
    G_FAN_SPEED,
    G_MADE_W,
    G_BACKUP_W,
    G_FROZEN,
    G_SURFACE_C,
    G_CORE_C,
    G_STABLE_S,  # longest explicit step the pile bears now
    G_SIZE,
) = range(27)

# --- ledger: running totals since the start, [J], [kg] or [s]
(
    L_MADE,  # heat from biology
    L_BIO_SENSIBLE,  # sensible heat that degraded matter took along, less that of the water it left
    L_SURFACE,  # from the pile through its surface
    L_DEEP,  # from the soil under the pile to the deep ground
    L_AIR_IN,  # enthalpy that outdoor air brings into the pile
    L_AIR_OUT,  # and takes out by itself
    L_FAN_OUT,  # and takes out by the fan
    L_RAIN,  # enthalpy of the rain taken in
    L_LEACH,  # enthalpy of the water that drains out
    L_LINE_LOSS,  # from the pipes to soil and air
    L_DUCT_LOSS,  # from the duct, its leaks and its condensate
    L_AIR_TO_HOUSE,  # enthalpy of pile air entering the greenhouse
    L_HOUSE_OUT,  # enthalpy of air leaving the greenhouse
    L_HOUSE_IN,  # enthalpy of outdoor air entering the greenhouse
    L_SUN,
    L_COVER,  # through the cover, condensate included
    L_PLANT_WATER,  # enthalpy of the liquid that plants evaporate
    L_BACKUP,
    L_HEAT_WATER,  # given by the loop to greenhouse air and pond
    L_HEAT_AIR,  # brought by pile air above greenhouse air
    L_USEFUL,  # of both, while the greenhouse is below its ceiling
    L_DRAWN,  # out of the pile by water and fan
    L_PUMP_J,
    L_FAN_J,
    L_OUTAGE_S,
    L_PUMPED_KG,
    L_FROZEN_S,
    L_WATER_BIO,  # water made by biology [kg]
    L_WATER_RAIN,
    L_WATER_LEACH,
    L_WATER_AIR_IN,  # vapour
    L_WATER_AIR_OUT,
    L_WATER_FAN,
    L_OXYGEN_IN,
    L_OXYGEN_OUT,
    L_OXYGEN_USED,
    L_SOLIDS_USED,
    L_VAPOUR_IN,  # greenhouse: outdoor air and pile air
    L_VAPOUR_OUT,
    L_VAPOUR_PLANTS,
    L_VAPOUR_CONDENSED,
    L_PANEL_J,
    L_AIR_LEFT_J,  # enthalpy the fan's air had on leaving the pile
    L_SIZE,
) = range(44)

# --- parameters
P_SHELL_VOLUME = 0
P_SHELL_SOLIDS = P_SHELL_VOLUME + SHELLS  # inert solids [kg]
P_SHELL_CONDUCT = P_SHELL_SOLIDS + SHELLS  # geometry factor of outer face: G = k * factor [m]
P_SHELL_BASE = P_SHELL_CONDUCT + SHELLS  # base area of the ring under each shell [m2]
P_TURN = P_SHELL_BASE + SHELLS  # share of buoyant air that turns in each shell
P_COLLECT = P_TURN + SHELLS  # share of fan air drawn off in each shell
P_CORE_SHARE = P_COLLECT + SHELLS  # weight of each shell in the true core temperature
P_SKIN_SHELL = P_CORE_SHARE + SHELLS  # which shell each skin lies in
P_RING_MASS = P_SKIN_SHELL + SKINS  # [kg]
P_RING_UA = P_RING_MASS + RING  # [W/K] between water and what surrounds it
P_PUMP_TABLE = P_RING_UA + RING  # flow at speeds 0..1.5 in equal steps [kg/s]
PUMP_POINTS = 31
P_FIRST = P_PUMP_TABLE + PUMP_POINTS
(
    P_SURFACE_AREA, P_SURFACE_HALF, P_RADIUS, P_BASE_AREA, P_COVER_R, P_BASE_R, P_K_DRY, P_K_WET,
    P_PERMEABILITY, P_RAIN_AREA, P_RAIN_SHED, P_FAST_RATE, P_SLOW_RATE, P_SOLID_CP,
    P_SKIN_CAPACITY, P_SKIN_UA, P_DRUM_CAPACITY, P_DRUM_UA, P_GROUND_C, P_GROUND_G, P_GROUND_CAPACITY,
    P_BURIAL, P_PUMP_START, P_PUMP_RUN, P_PUMP_W, P_DEGASSING, P_FAN_Q0, P_FAN_P0, P_FAN_W, P_FAN_START,
    P_FAN_RUN, P_FAN_HZ, P_FAN_R1, P_FAN_R2, P_DUCT_LEAK, P_DUCT_UA, P_HOUSE_AIR_KG, P_COVER_A, P_COVER_U,
    P_FLOOR_A, P_TRANSMIT, P_INFILTRATION, P_WIND_INFILTRATION, P_HOUSE_MIN, P_HOUSE_MAX, P_MASS_CAPACITY,
    P_MASS_UA, P_PLANT, P_VENT_MAX, P_BACKUP_ON, P_POND_CAPACITY, P_POND_UA, P_PRESSURE,
    P_SIPHON_KG_S,  # flow through the standing pump; only a fault makes it more than 0
) = range(P_FIRST, P_FIRST + 54)  # fmt: skip
_SYSTEMS = P_FIRST + 54
# two of each: the pump's supply, then the fan's
(
    P_BAT_CAPACITY, P_BAT_R, P_BAT_LITHIUM, P_BAT_OFF, P_BAT_ON, P_BAT_ABSORB, P_BAT_LATCH, P_BAT_STANDBY,
    P_BAT_LOST_V,  # of shorted cells; this and the next two are 0 unless a fault sets them
    P_BAT_CHILL_K,  # how much colder the battery lies than its shed
    P_BAT_BARE,  # 1: no protection board keeps a freezing lithium pack from being charged
) = range(_SYSTEMS, _SYSTEMS + 22, 2)  # fmt: skip
P_SIZE = _SYSTEMS + 22
