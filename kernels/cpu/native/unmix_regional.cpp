// Unmixing's passes on the whole frame, reduced: kernels/reference/unmix/method.py, `regional`.
#define VERDIGRIS_WIDE "wide.hpp"
#undef PX
#define PX 16   // one vector of the widest processors: a pixel has much to remember here

#include "memory.hpp"
#include "pool.hpp"

namespace {

#include "unmix.cu"
#include "natural.cuh"
#include "unmix_passes.hpp"
#include "unmix_signals.hpp"
#include "unmix_solid.hpp"
#include "unmix_light.hpp"
#include "unmix_colours.hpp"
#include "unmix_haze.hpp"

void regional(Passes& w, const RegionalArgs& a) {
    const int factor = a.factor, h = parts(a.height, factor), width = parts(a.width, factor);
    const auto planes = [&](u64 at, int count) {
        return Stack{reinterpret_cast<float*>(at), count, h, width};
    };
    const Settings o = {{a.k, a.i, a.j},
                        {a.gain[0], a.gain[1], a.gain[2]},
                        {a.offset[0], a.offset[1], a.offset[2]},
                        a.clean_error,
                        a.solidity};
    const Stack light = planes(a.light, 3), solid = planes(a.solid, 1), inside = planes(a.inside, 1);
    const Stack all = planes(a.candidates, 4 * 17), hue = planes(a.hue, 1);
    const Stack plate = w.take(3, h, width), clean = w.take(3, h, width);
    const Stack found = w.take(2, h, width);   // results may lack the slack that blurs read
    const Stack given = {reinterpret_cast<float*>(a.plate), 3, a.height, a.width};
    const Stack behind = {reinterpret_cast<float*>(a.clean), 3, a.height, a.width};
    reduced_of(w, a.height, a.width, factor, factor, plate,
               [&](int n, int y, int x) { return held_finite(given.row(n, y)[x]); });
    reduced_of(w, a.height, a.width, factor, factor, clean,
               [&](int n, int y, int x) { return fmaxf(held_finite(behind.row(n, y)[x]), 1e-6f); });
    const Signals s = signals_like(w, plate, clean);
    make_signals(w, o, s);
    solid_posterior(w, o, s, found.part(0, 1), found.part(1, 1));
    screen_light(w, s, found.part(0, 1), light);
    w.rows(3 * h, [&](int at) {
        const float* factors = light.row(0, at);
        float* c = clean.row(0, at);
        VECTORISED for (int x = 0; x < width; ++x) c[x] *= factors[x];
    });
    before_screen(w, o, s);
    solid_posterior(w, o, s, found.part(0, 1), found.part(1, 1));
    copy_planes(w, found.part(0, 1), solid);
    copy_planes(w, found.part(1, 1), inside);
    sampled_candidates(w, s, found.part(1, 1), a.doublings, all);
    if (a.given) given_haze(w, a.haze, found.part(0, 1), candidate(all, 15));
    else neutral_colours(w, o, s, found.part(0, 1), all, 15);
    own_hue(w, o.order, plate, found.part(0, 1), hue);
}

}  // namespace

// Tells how much memory it takes where there is none or too little: 2.
EXPORTED unsigned verdigris_size_unmix_regional() { return sizeof(RegionalArgs); }
EXPORTED int verdigris_unmix_regional(Pool* pool, void* given, unsigned) {
    RegionalArgs& a = *static_cast<RegionalArgs*>(given);
    Passes counted = {pool, nullptr, true};
    regional(counted, a);
    if (a.floats < counted.most) {
        a.floats = counted.most;
        return 2;
    }
    Passes w = {pool, reinterpret_cast<float*>(a.memory), false};
    regional(w, a);
    return w.failure.seen;
}
