/*
 * The cure equation solved by SUNDIALS CVODE, a general-purpose solver of ordinary differential equations, as an independent check of the
 * Go solver and as its peer in speed. Knows nothing of the Go code: the rate law is written out here again from its published form.
 *
 * Reads from standard input, in this order:
 *   law k1 k2 m n e_over_r tg0 span lambda diffusion steep offset
 *   history N          then N lines "seconds celsius", rising
 *   outputs M          then M lines "seconds", rising, within the history
 *   run METHOD RESTART RTOL ATOL REPEAT      any number of these
 * METHOD is bdf (Newton, dense) or adams (fixed point); RESTART is 1 to begin anew at each knot of the history, 0 to step over them.
 * For each run it writes "run SECONDS STEPS EVALUATIONS" (seconds of processor time for one solve, mean of REPEAT) and M conversions.
 *
 * Build: see Makefile. Written for SUNDIALS 6 and 7.
 */
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include <cvode/cvode.h>
#include <nvector/nvector_serial.h>
#include <sundials/sundials_config.h>
#include <sundials/sundials_types.h>
#include <sunlinsol/sunlinsol_dense.h>
#include <sunmatrix/sunmatrix_dense.h>
#include <sunnonlinsol/sunnonlinsol_fixedpoint.h>

#if SUNDIALS_VERSION_MAJOR >= 7
#define NO_COMM SUN_COMM_NULL
#else
#define NO_COMM NULL
#endif

static double k1, k2, m, n, e_over_r, tg0, span, lambda, diffusion, steep, offset;
static double *knot_t, *knot_c, *out_t, *out_a;
static int knots, outs;

/* The piece of the history that the solver is in, or, when it may step over knots, the piece found last. */
static int piece;
static int pinned;

static double film(double t)
{
	if (!pinned) {
		while (piece > 0 && t < knot_t[piece]) piece--;
		while (piece < knots - 2 && t > knot_t[piece + 1]) piece++;
	}
	double w = (t - knot_t[piece]) / (knot_t[piece + 1] - knot_t[piece]);
	return knot_c[piece] + w * (knot_c[piece + 1] - knot_c[piece]);
}

static int rate(sunrealtype t, N_Vector y, N_Vector ydot, void *data)
{
	(void)data;
	double a = NV_Ith_S(y, 0), c = film(t);
	double base = a > 0 ? a : 0, left = a < 1 ? 1 - a : 0;
	double grown = m == 1 ? base : pow(base, m);
	double gone = n == 2 ? left * left : pow(left, n);
	double r = exp(e_over_r * (1 / 298.15 - 1 / (c + 273.15))) * (k1 + k2 * grown) * gone;
	if (diffusion != 0) {
		double x = (c + offset - tg0) / span;
		double ac = x < 0 ? x / lambda : x / (lambda + (1 - lambda) * x);
		r /= 1 + exp(steep * (a - ac));
	}
	NV_Ith_S(ydot, 0) = r;
	return 0;
}

static void check(int flag, const char *what)
{
	if (flag < 0) {
		fprintf(stderr, "cvode: %s gives %d\n", what, flag);
		exit(1);
	}
}

/* One solve over the whole history. */
static void solve(void *cv, N_Vector y, int restart)
{
	int next = 0;
	sunrealtype t = knot_t[0];
	NV_Ith_S(y, 0) = 0;
	piece = 0;
	pinned = restart;
	check(CVodeReInit(cv, t, y), "CVodeReInit");
	while (next < outs && out_t[next] <= t) out_a[next++] = 0;
	if (!restart) {
		check(CVodeSetStopTime(cv, knot_t[knots - 1]), "CVodeSetStopTime");
		for (; next < outs; next++) {
			check(CVode(cv, out_t[next], y, &t, CV_NORMAL), "CVode");
			out_a[next] = NV_Ith_S(y, 0);
		}
		return;
	}
	for (piece = 0; piece < knots - 1; piece++) {
		double to = knot_t[piece + 1];
		if (piece > 0) check(CVodeReInit(cv, knot_t[piece], y), "CVodeReInit");
		check(CVodeSetStopTime(cv, to), "CVodeSetStopTime");
		for (; next < outs && out_t[next] < to; next++) {
			check(CVode(cv, out_t[next], y, &t, CV_NORMAL), "CVode");
			out_a[next] = NV_Ith_S(y, 0);
		}
		check(CVode(cv, to, y, &t, CV_NORMAL), "CVode");
		if (next < outs && out_t[next] == to) out_a[next++] = NV_Ith_S(y, 0);
	}
}

static void run(SUNContext ctx, const char *method, int restart, double rtol, double atol, int repeat)
{
	int bdf = strcmp(method, "bdf") == 0;
	N_Vector y = N_VNew_Serial(1, ctx);
	void *cv = CVodeCreate(bdf ? CV_BDF : CV_ADAMS, ctx);
	SUNMatrix jac = NULL;
	SUNLinearSolver lin = NULL;
	SUNNonlinearSolver fix = NULL;
	long steps = 0, evals = 0;
	NV_Ith_S(y, 0) = 0;
	check(CVodeInit(cv, rate, knot_t[0], y), "CVodeInit");
	check(CVodeSStolerances(cv, rtol, atol), "CVodeSStolerances");
	check(CVodeSetMaxNumSteps(cv, 10000000), "CVodeSetMaxNumSteps");
	if (bdf) {
		jac = SUNDenseMatrix(1, 1, ctx);
		lin = SUNLinSol_Dense(y, jac, ctx);
		check(CVodeSetLinearSolver(cv, lin, jac), "CVodeSetLinearSolver");
	} else {
		fix = SUNNonlinSol_FixedPoint(y, 0, ctx);
		check(CVodeSetNonlinearSolver(cv, fix), "CVodeSetNonlinearSolver");
	}
	clock_t began = clock();
	for (int i = 0; i < repeat; i++) solve(cv, y, restart);
	double each = (double)(clock() - began) / CLOCKS_PER_SEC / repeat;
	CVodeGetNumSteps(cv, &steps);
	CVodeGetNumRhsEvals(cv, &evals);
	printf("run %.9g %ld %ld\n", each, steps, evals);
	for (int i = 0; i < outs; i++) printf("%.17g\n", out_a[i]);
	CVodeFree(&cv);
	if (jac) SUNMatDestroy(jac);
	if (lin) SUNLinSolFree(lin);
	if (fix) SUNNonlinSolFree(fix);
	N_VDestroy(y);
}

static void bad(const char *what)
{
	fprintf(stderr, "cvode: cannot read %s\n", what);
	exit(2);
}

int main(void)
{
	char method[16];
	int restart, repeat;
	double rtol, atol;
	SUNContext ctx;
	if (SUNContext_Create(NO_COMM, &ctx) != 0) return 1;
	if (scanf(" law %lf %lf %lf %lf %lf %lf %lf %lf %lf %lf %lf", &k1, &k2, &m, &n, &e_over_r, &tg0, &span, &lambda, &diffusion, &steep,
		  &offset) != 11)
		bad("law");
	if (scanf(" history %d", &knots) != 1 || knots < 2 || knots > 1000000) bad("history");
	knot_t = calloc(knots, sizeof *knot_t);
	knot_c = calloc(knots, sizeof *knot_c);
	for (int i = 0; i < knots; i++)
		if (scanf("%lf %lf", &knot_t[i], &knot_c[i]) != 2) bad("history");
	if (scanf(" outputs %d", &outs) != 1 || outs < 1 || outs > 1000000) bad("outputs");
	out_t = calloc(outs, sizeof *out_t);
	out_a = calloc(outs, sizeof *out_a);
	for (int i = 0; i < outs; i++)
		if (scanf("%lf", &out_t[i]) != 1) bad("outputs");
	while (scanf(" run %15s %d %lf %lf %d", method, &restart, &rtol, &atol, &repeat) == 5)
		run(ctx, method, restart, rtol, atol, repeat);
	SUNContext_Free(&ctx);
	return 0;
}
