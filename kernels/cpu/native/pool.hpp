// A pool of threads of our own: pieces of work, numbered, taken by whichever thread is free, the
// caller's among them. No settings of the process, no other library's threads.
#pragma once

#ifdef _WIN32
#define EXPORTED extern "C" __declspec(dllexport)
#else
#define EXPORTED extern "C" __attribute__((visibility("default")))
#endif

struct Pool;
typedef void (*Work)(void* context, int piece);

EXPORTED Pool* verdigris_pool(int threads);
EXPORTED void verdigris_pool_end(Pool*);
int threads_of(const Pool*);
// Runs work(context, 0 .. count - 1) and returns when all are done. One caller at a time; a second
// one meanwhile does its pieces alone.
void run_pieces(Pool*, Work, void* context, int count);

// Calls body(first, end) for strips of `rows` rows. Which thread has which decides nothing but the time.
template <class Body>
inline void each_strip(Pool* pool, int first, int end, int rows, const Body& body) {
    struct Context {
        const Body& body;
        int first, end, rows;
    };
    if (end <= first) return;
    Context context = {body, first, end, rows};
    run_pieces(
        pool,
        [](void* given, int piece) {
            const Context& c = *static_cast<Context*>(given);
            const int from = c.first + piece * c.rows;
            c.body(from, from + c.rows < c.end ? from + c.rows : c.end);
        },
        &context, (end - first + rows - 1) / rows);
}

// The same with a few strips for each thread, of at least `least` rows.
template <class Body>
inline void each_band(Pool* pool, int first, int end, int least, const Body& body) {
    const int wanted = (end - first) / (4 * threads_of(pool));
    each_strip(pool, first, end, wanted > least ? wanted : least, body);
}
