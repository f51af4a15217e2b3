/* The board's real-time side: one call a tick, from the timer's interrupt; all else from the program behind it.
   What both write goes through one word (inbox, closed), so that neither ever sees a half-made thing. */
#define SETTLED __asm__ volatile("" ::: "memory")
#define WRAP 0x40000000u
#define MOST_STEPS 50
#define LONG_S 1000.0f
#define ROOM 248
#define RING 9

typedef struct {
    /* SLOT */
    int32_t has_inbox;
    Settings settings;
    State state;
    Command command, inbox;
    Readings readings;
    Report report;
} Slot;

typedef struct {
    /* GROUP */
    uint8_t data[ROOM];
} Group;

typedef struct {
    int32_t cell, is_whole;
    union { float real; int32_t whole; } low, high;
} Hard;

typedef struct {
    /* HEAD */
    Hard limits[HARD];
    Group group[GROUPS];
    Group ring[RING];
    Settings staged;
    State trial_state; /* here and not on the stack, which a chip has little of */
    Command trial_command;
    Readings trial_readings;
    Report trial_report;
    uint8_t wire[2 * ROOM + 12];
    Slot slots[1];
} Node;

static int32_t since(int32_t late, int32_t early) {
    uint32_t apart = ((uint32_t)late - (uint32_t)early + WRAP / 2) & (WRAP - 1);
    return (int32_t)apart - (int32_t)(WRAP / 2);
}

/* --- pins: by registers where their addresses are given, else by whoever calls */

static int32_t converted(const Node *n, int32_t channel, int32_t count) {
    volatile uint32_t *converter = (volatile uint32_t *)(uintptr_t)(uint32_t)n->converter;
    int32_t sum = 0;
    for (int32_t k = 0; k < count; k++) {
        converter[0] = (converter[0] & ~0xf000u) | (uint32_t)channel << 12 | 1u << 2;
        while (!(converter[0] & 1u << 8)) {}
        sum += (int32_t)(converter[1] & 0xfffu);
    }
    return sum;
}

static void level(int32_t compare, int32_t shift, int32_t value) {
    volatile uint32_t *at = (volatile uint32_t *)(uintptr_t)(uint32_t)compare;
    if (compare != 0) *at = (*at & ~(0xffffu << shift)) | (uint32_t)value << shift;
}

static void put_out(Node *n, Slot *s, float value) {
    int32_t first = 0, second = 0;
    if (!n->cut && value != 0.0f && value == value && (s->settings.drive.kind == PULSE) == s->pulse) {
        int32_t share = (int32_t)(value * (float)s->full);
        if (s->pulse) {
            first = share;
        } else {
            first = share >= 0 ? s->full : s->full + share;
            second = share >= 0 ? s->full - share : s->full;
        }
    }
    s->drive = n->cut ? 0.0f : value;
    s->pulsed = s->settings.drive.kind == PULSE;
    s->level_0 = first;
    s->level_1 = second;
    level(s->compare_0, s->shift_0, first);
    level(s->compare_1, s->shift_1, second);
}

/* --- the tick of all joints */

static void cross(Node *n, Slot *s) {
    const int32_t joints[3] = {s->settings.across.joint_1, s->settings.across.joint_2, s->settings.across.joint_3};
    const float shares[3] = {s->settings.across.share_1, s->settings.across.share_2, s->settings.across.share_3};
    coupling_begin(&s->state);
    for (int32_t k = 0; k < 3; k++)
        if (joints[k] >= 0 && joints[k] < n->count) coupling_add(&s->state, shares[k], &n->slots[joints[k]].state);
}

static void told(Node *n, Slot *s) {
    s->mode = s->report.mode;
    if (s->report.fault != s->fault) s->fault_tick = n->tick;
    s->fault = s->report.fault;
    s->asked = s->command.request;
}

static void turn_joint(Node *n, Slot *s, int32_t steps, float age_s) {
    Readings *r = &s->readings;
    if (n->converter != 0) {
        r->counts = converted(n, s->wiper, s->oversampling);
        if (s->second_wiper >= 0) r->second_counts = converted(n, s->second_wiper, s->oversampling);
    } else {
        r->counts = s->counts;
        r->second_counts = s->second_counts;
    }
    r->supply_V = n->supply_V;
    r->current_A = s->current_A;
    r->steps = steps;
    r->link_age_s = age_s;
    r->outside_fault = n->outside;
    if (s->has_inbox) {
        s->inbox.request = s->command.request;
        s->command = s->inbox;
        s->has_inbox = 0;
    }
    if (coupling_crosses(&s->settings.across)) cross(n, s);
    put_out(n, s, tick_joint_tick(&s->settings, &s->state, &s->command, r, &s->report));
    told(n, s);
}

static void put_word(uint8_t *at, uint32_t value, int32_t octets) {
    for (int32_t k = 0; k < octets; k++) at[k] = (uint8_t)(value >> 8 * k);
}

static void copied(uint8_t *to, const uint8_t *from, int32_t count) {
    for (int32_t k = 0; k < count; k++) to[k] = from[k];
}

static void store(Node *n, Group *g) {
    uint8_t *at = g->data + 8 + g->filled * g->width;
    put_word(at, (uint32_t)n->tick, 4);
    for (int32_t k = 0; k < n->count; k++) {
        Slot *s = &n->slots[k];
        if (!(g->mask >> k & 1)) continue;
        for (int32_t field = 0; field < 16; field++) {
            union { float f; uint32_t u; } value;
            if (!(n->fields >> field & 1)) continue;
            value.f = fields_value_of(&s->settings, &s->readings, &s->report, field);
            put_word(at += 4, value.u, 4);
        }
    }
    if (++g->filled < g->rows) return;
    g->filled = 0;
    if ((n->ring_in + 1) % RING == n->ring_out || !n->gate) {
        n->dropped += g->rows;
        return;
    }
    put_word(g->data, ROWS_KIND, 2);
    put_word(g->data + 2, (uint32_t)g->mask, 2);
    put_word(g->data + 4, (uint32_t)n->fields, 2);
    put_word(g->data + 6, (uint32_t)n->dropped, 2);
    n->ring[n->ring_in] = *g;
    SETTLED;
    n->ring_in = (n->ring_in + 1) % RING;
}

static int32_t turn(Node *n) {
    int32_t late = 0, steps;
    float age_s = LONG_S;
    late = since(n->now_us, n->edge_us);
    if (late < -n->tick_us / 2) return 0; /* a call that was missed and comes now: its period is counted already */
    if (late < 0) late = 0;
    if (late > n->most_late_us) n->most_late_us = late;
    steps = 1 + late / n->tick_us;
    n->edge_us = (int32_t)(((uint32_t)n->edge_us + (uint32_t)(steps * n->tick_us)) & (WRAP - 1));
    n->late += steps - 1;
    n->tick = (int32_t)((uint32_t)n->tick + (uint32_t)steps);
    if (steps > MOST_STEPS) steps = MOST_STEPS;
    if (n->has_lease) {
        int32_t age = since(n->now_us, n->beat_us);
        if (age > n->lease_us || age < 0)
            n->has_lease = 0;
        else
            age_s = (float)age * 1.0e-6f;
    }
    if (n->converter != 0 && n->supply >= 0) n->supply_counts = converted(n, n->supply, 4);
    if (n->supply >= 0) n->supply_V = (float)n->supply_counts * n->supply_scale;
    for (int32_t k = 0; k < n->count; k++)
        if (!n->slots[k].closed) turn_joint(n, &n->slots[k], steps, age_s);
    n->outside = NO_FAULT;
    n->cut = 0;
    n->turns++;
    if (n->groups > 0 && n->has_lease && n->tick % n->every == 0)
        for (int32_t k = 0; k < n->groups; k++) store(n, &n->group[k]);
    return 0;
}

/* --- from the program behind */

static int32_t begin(Node *n) {
    for (int32_t k = 0; k < n->count; k++) {
        Slot *s = &n->slots[k];
        s->closed = 1; /* before somebody's settings there is nothing to tick by */
        State_fresh(&s->state);
        Command_fresh(&s->command);
        Command_fresh(&s->inbox);
        Readings_fresh(&s->readings);
        Report_fresh(&s->report);
    }
    n->slots_at = (int32_t)((uint8_t *)&n->slots[0] - (uint8_t *)n) / 4;
    n->slot_cells = (int32_t)sizeof(Slot) / 4;
    n->group_at = (int32_t)((uint8_t *)&n->group[0] - (uint8_t *)n) / 4;
    n->group_cells = (int32_t)sizeof(Group) / 4;
    n->wire_at = (int32_t)((uint8_t *)n->wire - (uint8_t *)n) / 4;
    n->hard_at = (int32_t)((uint8_t *)n->limits - (uint8_t *)n) / 4;
    n->settings_at = (int32_t)((uint8_t *)&n->slots[0].settings - (uint8_t *)&n->slots[0]) / 4;
    n->staged_at = (int32_t)((uint8_t *)&n->staged - (uint8_t *)n) / 4;
    n->settings_cells = (int32_t)sizeof(Settings) / 4;
    return 0;
}

static int32_t beyond_board(Node *n, Slot *s, int32_t place) {
    Settings *fresh = &n->staged;
    if ((int32_t)(fresh->tick_s * 1.0e6f + 0.5f) != n->tick_us) return first_cells[WRONG_TICK_S - 1] + 1;
    if (fresh->sensor.counts_top != s->counts_top) return first_cells[WRONG_SENSOR_COUNTS_TOP - 1] + 1;
    if (fresh->drive.kind == BUILTIN) return first_cells[WRONG_DRIVE_KIND - 1] + 1;
    if (contradictions_crosses_itself(fresh, place)) return first_cells[WRONG_ACROSS_JOINT_1 - 1] + 1;
    if (!(contradictions_rest_voltage(fresh) <= s->rest_V)) return first_cells[WRONG_LIMITS_CURRENT_A - 1] + 1;
    if (!(fresh->limits.back_emf_V_s <= s->emf_V_s)) return first_cells[WRONG_LIMITS_BACK_EMF_V_S - 1] + 1;
    for (int32_t k = 0; k < n->hard; k++) {
        const Hard *one = &n->limits[k];
        union { float real; int32_t whole; } value;
        value.whole = ((int32_t *)fresh)[one->cell];
        if (one->is_whole ? !(one->low.whole <= value.whole && value.whole <= one->high.whole)
                          : !(one->low.real <= value.real && value.real <= one->high.real))
            return one->cell + 1;
    }
    return 0;
}

/* Staged settings, judged and taken over: 0, or one more than the first cell of what is wrong. */
static int32_t apply(Node *n, int32_t place) {
    Slot *s = &n->slots[place];
    int32_t wrong = contradictions_contradiction(&n->staged);
    wrong = wrong != 0 ? first_cells[wrong - 1] + 1 : beyond_board(n, s, place);
    if (wrong != 0) return wrong;
    s->closed = 1; /* nothing is driven: it passes over this joint meanwhile */
    SETTLED;
    State_fresh(&n->trial_state);
    s->settings = n->staged;
    s->state.sensed = n->trial_state.sensed;
    s->state.motion = n->trial_state.motion;
    s->state.plan = n->trial_state.plan;
    s->state.loop = n->trial_state.loop;
    s->state.evidence = n->trial_state.evidence;
    s->state.output = n->trial_state.output;
    s->state.mode.push_sign = 0.0f;
    s->state.mode.from_rad = 0.0f;
    s->applied = 1;
    SETTLED;
    s->closed = 0;
    return 0;
}

static Command *inbox(Slot *s) {
    if (!s->has_inbox) s->inbox = s->command;
    s->has_inbox = 0; /* what has not been taken yet is taken back, and changed */
    SETTLED;
    return &s->inbox;
}

static void close_inbox(Slot *s) {
    SETTLED;
    s->has_inbox = 1;
}

static int32_t target(Node *n, Slot *s) {
    Command *wanted = &n->trial_command;
    union { int32_t u; float f; } angle = {n->argument_2};
    *wanted = s->command;
    setpoint_aimed(wanted, n->argument_1, angle.f, n->argument_3);
    if (!setpoint_acceptable(&s->settings, wanted)) return 0;
    *inbox(s) = *wanted;
    close_inbox(s);
    return 1;
}

static int32_t stream(Node *n, Slot *s) {
    if (s->report.mode != POWERED) return 0;
    setpoint_streamed(&s->settings, inbox(s), n->argument_1, n->argument_2, n->argument_3);
    close_inbox(s);
    return 1;
}

static int32_t hold(Slot *s) {
    Command *c = inbox(s);
    c->kind = HOLD_HERE;
    c->grip = s->state.mode.grip;
    close_inbox(s);
    return 1;
}

static int32_t fail(Node *n, int32_t fault, int32_t every) {
    n->outside = fault;
    for (int32_t k = 0; k < n->count; k++) {
        Slot *s = &n->slots[k];
        if (!every && !modes_driven(s->state.mode.mode)) continue;
        supervisor_trip(&s->state.mode, fault);
        s->state.output.value = 0.0f;
        s->report.drive = 0.0f;
        s->report.mode = TRIPPED;
        s->report.fault = s->state.mode.fault;
        s->report.allowed_V = 0.0f;
        told(n, s);
    }
    return 0;
}

/* A tick on copies, the pins left alone: 0 as it is, 1 as if powered and a target had just come, 2 the one after. */
static int32_t trial(Node *n, Slot *s, int32_t which) {
    if (which != 2) {
        n->trial_state = s->state;
        n->trial_command = s->command;
        n->trial_readings = s->readings;
        n->trial_readings.steps = 1;
        n->trial_readings.link_age_s = 0.0f;
        n->trial_readings.outside_fault = NO_FAULT;
    }
    if (which == 1) {
        n->trial_state.mode.mode = POWERED;
        setpoint_aimed(&n->trial_command, 0, s->settings.limits.command_low_rad, 0);
        if (n->trial_command.target_rad == n->trial_state.motion.setpoint_rad)
            n->trial_command.target_rad = s->settings.limits.command_high_rad;
    }
    tick_joint_tick(&s->settings, &n->trial_state, &n->trial_command, &n->trial_readings, &n->trial_report);
    return 0;
}

/* The check sequence's polynomial (RFC 1662, C.3), four bits at a time. */
static const uint32_t halves[16] = {
    0x00000000u, 0x1db71064u, 0x3b6e20c8u, 0x26d930acu, 0x76dc4190u, 0x6b6b51f4u, 0x4db26158u, 0x5005713cu,
    0xedb88320u, 0xf00f9344u, 0xd6d6a3e8u, 0xcb61b38cu, 0x9b64c2b0u, 0x86d3d2d4u, 0xa00ae278u, 0xbdbdf21cu,
};

/* The oldest full block of rows as a frame (RFC 1662: stuffed, its check sequence behind): its octets, 0 for none. */
static int32_t rows(Node *n) {
    const Group *g = &n->ring[n->ring_out];
    int32_t length = 8 + g->rows * g->width, out = 0;
    uint32_t check = 0xffffffffu;
    if (n->ring_in == n->ring_out) return 0;
    for (int32_t k = 0; k < length + 4; k++) {
        uint8_t octet = k < length ? g->data[k] : (uint8_t)(~check >> 8 * (k - length));
        if (k == 1) octet = (uint8_t)n->sequence;
        if (k < length) {
            check ^= octet;
            check = check >> 4 ^ halves[check & 15u];
            check = check >> 4 ^ halves[check & 15u];
        }
        if (octet == 0x7e || octet == 0x7d || octet == 0x03) {
            n->wire[out++] = 0x7d;
            octet ^= 0x20;
        }
        n->wire[out++] = octet;
    }
    n->wire[out++] = 0x7e;
    SETTLED;
    n->ring_out = (n->ring_out + 1) % RING;
    return out;
}

static int32_t called(uint32_t what, Node *n) {
    Slot *s = &n->slots[n->argument_0];
    switch (what) {
    case CALL_BEGIN: return begin(n);
    case CALL_TURN: return turn(n);
    case CALL_STAGE: n->staged = s->settings; return 0;
    case CALL_APPLY: return apply(n, n->argument_0);
    case CALL_TARGET: return target(n, s);
    case CALL_STREAM: return stream(n, s);
    case CALL_HOLD: return hold(s);
    case CALL_ASK: /* who has no settings yet does not tick, and is not driven: nothing waits for it */
        if (s->applied) modes_ask(&s->command, n->argument_1);
        s->asked = s->command.request;
        return 0;
    case CALL_FAIL: return fail(n, n->argument_0, n->argument_1);
    case CALL_TRIAL: return trial(n, s, n->argument_1);
    case CALL_ROWS: return rows(n);
    }
    return -1;
}
