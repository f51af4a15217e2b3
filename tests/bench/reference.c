/* Plant and PID of the closed loop, written by hand in C: the yardstick of the
   compiled twin's speed. Same arithmetic, same order (sim/plant.py, controller/pid.py). */
#include <math.h>

typedef struct {
    double k, siemens, inertia, coulomb, stiction, vs, viscous, loss, half_gap;
    double r1, r2, kf, ke, c, sf, se, wrap;
    double jj, jb, jc, js, jvs, mgl, qg, tip, low, high, ks, cs, z;
} part_t;
typedef struct {
    double th, w, q, qd, tf, te, tip, current, heat, energy, peak, peak_tip, volt;
} plant_t;
typedef struct {
    double kp, ki, kd, lag, tt, rest_in, rest_out, rest_lag, limit, help;
    double integral, yf, last, calm, error, u;
    int resting, started;
} pid_t_;

static double cosine(double x) {
    const double turn = 6.283185307179586;
    if (x < 0.0) x = -x;
    x -= (double)(long)(x / turn) * turn;
    if (x > 0.5 * turn) x = turn - x;
    double sign = 1.0;
    if (x > 1.5707963267948966) { x = 0.5 * turn - x; sign = -1.0; }
    double y = x * x;
    double s = -1.0 / 3628800.0 + y * (1.0 / 479001600.0 - y * 1.10e-11);
    s = 1.0 / 40320.0 + y * s;
    s = -1.0 / 720.0 + y * s;
    return sign * (1.0 + y * (-0.5 + y * (1.0 / 24.0 + y * s)));
}
static double soft(double p, double d) { return p > d ? p - d : (p < -d ? p + d : 0.0); }
static double stribeck(double fc, double fs, double v, double vs) {
    double u = v / vs;
    return fc + (fs - fc) / (1.0 + u * u);
}

static void substep(const part_t *p, plant_t *x, double h) {
    double half = 0.5 * h, w = x->w, qd = x->qd;
    double th = x->th + half * w, q = x->q + half * qd;
    double arm = p->r2, path = p->r2 * q;
    double s = p->r1 * th - path, rate = p->r1 * w - arm * qd, gap = p->r1 * p->half_gap;
    if (s > p->z + gap) s -= gap;
    else if (s < p->z - gap) s += gap;
    else { s = p->z; rate = 0.0; }
    double pull = p->kf * (p->sf + s);
    if (pull > 0.0) pull += p->c * rate;
    x->tf = pull > 0.0 ? pull : 0.0;
    pull = p->ke * (p->se - s);
    if (pull > 0.0) pull -= p->c * rate;
    x->te = pull > 0.0 ? pull : 0.0;
    double torque = 0.0, damping = p->jb;
    if (p->mgl != 0.0) torque += p->mgl * cosine(q - p->qg);
    x->tip = 0.0;
    double deep = q - p->high;
    if (deep > 0.0 && p->ks * deep + p->cs * qd > 0.0) { torque += p->ks * deep; damping += p->cs; }
    deep = p->low - q;
    if (deep > 0.0 && p->ks * deep - p->cs * qd > 0.0) { torque -= p->ks * deep; damping += p->cs; }
    double net = x->tf - x->te, drum = p->r1 * net;
    double current = (x->volt - p->k * w) * p->siemens;
    x->current = current;
    x->heat += current * current * h;
    x->energy += x->volt * current * h;
    double drag = p->viscous + p->k * p->k * p->siemens, hd = 0.5 * h * drag;
    double momentum = (p->inertia - hd) * w + h * (p->k * x->volt * p->siemens - drum);
    double passed = p->k * current;
    if (passed < 0.0) passed = -passed;
    if (drum > passed) passed = drum; else if (-drum > passed) passed = -drum;
    double level = stribeck(p->coulomb, p->stiction, w, p->vs) + p->loss * passed;
    w = soft(momentum, h * level) / (p->inertia + hd);
    level = stribeck(p->jc, p->js, qd, p->jvs) + p->wrap * p->r2 * (x->tf + x->te);
    momentum = (p->jj - half * damping) * qd + h * (arm * net - torque);
    qd = soft(momentum, h * level) / (p->jj + half * damping);
    x->w = w; x->qd = qd;
    x->th = th + half * w; x->q = q + half * qd;
    if (x->tf > x->peak) x->peak = x->tf;
    if (x->te > x->peak) x->peak = x->te;
    if (x->tip > x->peak_tip) x->peak_tip = x->tip;
}

static double pid(pid_t_ *g, double want, double y, double h) {
    double e = want - y;
    g->error = e;
    double calm = g->calm + (e - g->calm) * (h / (g->rest_lag + h));
    g->calm = calm;
    double away = fabs(e - calm), size = fabs(calm);
    if (size > g->rest_out || away > 4.0 * g->rest_out) g->resting = 0;
    else if (size < g->rest_in && away < 2.0 * g->rest_out) g->resting = 1;
    double yf = 0.0;
    if (g->started) yf = (g->lag * g->yf + (y - g->last)) / (g->lag + h);
    g->started = 1; g->last = y; g->yf = yf;
    if (g->resting) return g->u = g->kp * g->calm + g->integral;
    double u = g->kp * e + g->integral + g->kd * (0.0 - yf);
    double beyond = fabs(e) - g->rest_out, most = e < 0.0 ? -g->help : g->help;
    if (beyond > 0.0) u += beyond >= g->rest_out ? most : most * beyond / g->rest_out;
    return g->u = u;
}
static void settle(pid_t_ *g, double applied, double h) {
    double i = g->integral;
    if (!g->resting) i += g->ki * g->error * h;
    if (applied != g->u) i += (applied - g->u) * (h / g->tt);
    g->integral = i > g->limit ? g->limit : (i < -g->limit ? -g->limit : i);
}

/* Ticks of plant and PID; the setpoint changes every ``every`` ticks. */
double run(const part_t *p, plant_t *x, pid_t_ *g, double a, double b, int every, int ticks,
           int substeps, double h, double supply) {
    double hs = h / substeps;
    for (int n = 0; n < ticks; n++) {
        double u = pid(g, (n / every) % 2 ? b : a, x->q, h);
        double out = u > supply ? supply : (u < -supply ? -supply : u);
        settle(g, out, h);
        x->volt = out;
        for (int k = 0; k < substeps; k++) substep(p, x, hs);
    }
    return x->q;
}
